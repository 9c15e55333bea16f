"""Result of a survey (cycles, holds, sweeps, restarts) as lines of at most 80 letters."""

from __future__ import annotations

from collections.abc import Iterator
from functools import singledispatch
from textwrap import wrap

from benchpipe.report.inspection import LABEL, WIDTH, StyledLine
from benchpipe.report.signs import UNICODE, Marks, unit_shown
from benchpipe.survey.seen import (
    BlockSeen,
    CyclicSeen,
    HoldSeen,
    MovingSeen,
    ProofSeen,
    RelaxationSeen,
    RollSeen,
    Seen,
    SlowSeen,
    SweepSeen,
    Where,
)
from benchpipe.survey.stretches import Surveyed


def survey_lines(seen: Seen, surveyed: Surveyed, units: dict[str, str], marks: Marks = UNICODE) -> list[StyledLine]:
    """The screen of a survey; ``units`` are those of ``load`` and ``motion``."""
    shown = {axis: unit_shown(unit, marks) for axis, unit in units.items()}
    facts = [*(_where(one.where) + _block(one, shown) for one in seen.blocks), *_rest(seen, surveyed, shown)]
    facts = facts or ["nothing that repeats: no cycles, holds or sweeps"]
    lines = [part for fact in facts for part in wrap(fact, WIDTH - LABEL, subsequent_indent="  ")]
    return [(f"{'seen' if n == 0 else '':<{LABEL}}{line}", "") for n, line in enumerate(lines)]


def _where(where: Where) -> str:
    mode = f"mode {where.mode}" if where.mode is not None else ""
    place = ", ".join(filter(None, (mode, *where.files)))
    return f"{place}: " if place else ""


@singledispatch
def _block(one: BlockSeen, units: dict[str, str]) -> str:
    """A block that was seen, in words; each kind has its own below."""
    raise TypeError(f"no words for {type(one).__name__}")


@_block.register
def _(one: CyclicSeen, units: dict[str, str]) -> str:
    unit, ends = units[one.axis], f"{one.valley.value:.4g} to {one.peak.value:.4g}"
    control = f", controlled by {one.control}" if one.control is not None else ""
    return f"{one.cycles:,} cycles at {one.frequency:.3g} Hz, {one.axis} from {ends} {unit}{control}"


@_block.register
def _(one: SweepSeen, units: dict[str, str]) -> str:
    lasted = f"{one.fastest_s:.3g} to {one.slowest_s:.3g} s each"
    return f"{one.sweeps} sweeps from {one.low:.4g} to {one.high:.4g} {units['motion']}, {lasted}"


@_block.register
def _(one: SlowSeen, units: dict[str, str]) -> str:
    return f"{_block(one.sweep, units)}: or cycles, which the log cannot say"


@_block.register
def _(one: HoldSeen, units: dict[str, str]) -> str:
    return f"{one.load.value:.4g} {units['load']} held {one.count} time(s), {one.longest_s:,.4g} s at most"


@_block.register
def _(one: RelaxationSeen, units: dict[str, str]) -> str:
    held = f"{one.motion.value:.4g} {units['motion']} held {one.count} time(s), {one.longest_s:,.4g} s at most"
    return f"{held}, while the load falls by {one.lost:.1%}"


@_block.register
def _(one: ProofSeen, units: dict[str, str]) -> str:
    load = units["load"]
    held = f"{one.load.value:.4g} {load} held {one.count} time(s) for {one.hold_s:.3g} s"
    return f"{held}, from {one.settling:.3g} {load}"


@_block.register
def _(one: RollSeen, units: dict[str, str]) -> str:
    low, high = one.tilts
    return f"{one.count} ways of a roll: {one.tilt} from {low:.3g} to {high:.3g} deg under {one.peak:.4g} N"


@_block.register
def _(one: MovingSeen, units: dict[str, str]) -> str:
    return (
        f"{one.seconds:.3g} s of motion from {one.motion[0]:.4g} to {one.motion[1]:.4g} {units['motion']}, load "
        f"from {one.load[0]:.4g} to {one.load[1]:.4g} {units['load']}, which do not repeat"
    )


def _rest(seen: Seen, surveyed: Surveyed, units: dict[str, str]) -> Iterator[str]:
    for one in seen.stances:
        low, high = one.load
        yield (
            f"{_where(one.where)}{low:.4g} to {high:.4g} {units['load']} held {one.count} time(s), swaying: a stance?"
        )
    if seen.changes:
        yield f"the mode changes {seen.changes:,} time(s)"
    if surveyed.restarts:
        yield f"the clock begins again {surveyed.restarts:,} time(s)"
    if surveyed.resets:
        before, after = surveyed.resets[0]
        yield f"the counter falls {len(surveyed.resets):,} time(s), first from {before:,g} to {after:,g}"
    if surveyed.partly:
        yield f"of {len(surveyed.partly)} log(s) only the beginning was looked at"
    yield from seen.notes
