"""A draft of the plan: each block that the logs show, each value with what it was read from.

What the logs cannot decide is a question: the line holds ``"?"`` and the loader refuses it until somebody answers.
Values that a log shows, and a protocol decides, are named in the block's ``drafted``: no limit is judged on them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from benchpipe.ingest.inspect.questions import as_toml
from benchpipe.kernels.shortest import shortest
from benchpipe.survey.seen import BlockSeen, CyclicSeen, HoldSeen, Level, ProofSeen, Seen, SweepSeen, Where
from benchpipe.survey.stretches import Surveyed

WIDTH = 40  # where comments begin
OF_RANGE = 0.005  # of the range: a target is written as short as this allows
INSIDE = 0.1  # of the free range left at each end, clear of the end stops
THRESHOLDS = (0.32, 0.68)
SO_FAR = "QUESTION: so many were seen; how many does the protocol ask for?"
NOT_JUDGED = (
    "read off the log: until compared with the test's protocol, no limit is judged on it (remove its name here then)"
)


@dataclass(frozen=True)
class DraftedPlan:
    """Text of a plan file, and what it asks before it works."""

    text: str
    questions: tuple[str, ...]


@dataclass(frozen=True)
class PlanHead:
    """What the head of a plan says."""

    name: str
    specimen: str
    rig: str
    limits: tuple[str, ...]
    logs: tuple[str, ...]


def draft_plan(head: PlanHead, seen: Seen, surveyed: Surveyed, units: dict[str, str], *, change: bool) -> DraftedPlan:
    """Draft a plan file.

    Parameters
    ----------
    units : dict
        Units of ``load`` and ``motion``.
    change : bool
        Whether the limits that the plan names need a baseline.
    """
    return _Draft(units, change).plan(head, seen, surveyed)


class _Draft:
    """Lines of a plan, and its questions so far."""

    def __init__(self, units: dict[str, str], change: bool) -> None:
        self._units, self._change = units, change
        self._questions: list[str] = []
        self._names: set[str] = set()

    def plan(self, head: PlanHead, seen: Seen, surveyed: Surveyed) -> DraftedPlan:
        blocks = [*map(self._block, seen.blocks), *map(self._idle, seen.idle)]
        body = [line for block in blocks for line in ["", "[[block]]", *block]]
        if not blocks:
            ask = "the logs show no cycles, sweeps or holds that repeat: which blocks does the test have?"
            body = ["", "[[block]]", 'name = "test"', *self._question("kind", ask, '"cyclic" | "hold" | "sweep"')]
        return DraftedPlan("\n".join([*self._head(head, seen, surveyed), *body]) + "\n", tuple(self._questions))

    def _head(self, head: PlanHead, seen: Seen, surveyed: Surveyed) -> list[str]:
        rows, logs = sum(surveyed.rows.values()), len({name for name, _ in surveyed.rows})
        part = f"; of {len(surveyed.partly)} log(s) only the beginning" if surveyed.partly else ""
        state = f"does not work before {len(self._questions)} QUESTION(s) are answered" if self._questions else "works"
        lines = [
            f"# Plan drafted by benchpipe from {rows:,} rows of {logs} log(s){part}.",
            f"# It {state}. Each value says what it was read from; compare them with the test's protocol.",
            *(f"# {note}" for note in seen.notes),
        ]
        if surveyed.resets:
            before, after = surveyed.resets[0]
            lines.append(f"# the counter falls {len(surveyed.resets)} time(s), first from {before:g} to {after:g}")
        if surveyed.restarts:
            lines.append(f"# the log's clock begins again {surveyed.restarts} time(s)")
        if seen.changes > 2:
            lines.append(
                f'# the mode changes {seen.changes} times: a block of kind "locking" (every-key/plan.toml) counts '
                "locks that fail"
            )
        return [
            *lines, "",
            *_key("name", head.name, "of the run, as commands know it"),
            *_key("specimen", head.specimen, "what is on the rig"),
            *_key("rig", head.rig, ""),
            *_key("limits", list(head.limits), "replace their values by the test's own"),
            *_key("logs", list(head.logs), "relative to this file"),
        ]  # fmt: skip

    def _block(self, one: BlockSeen) -> list[str]:
        if isinstance(one, CyclicSeen):
            return self._cyclic(one)
        if isinstance(one, SweepSeen):
            return self._sweep(one)
        return self._hold(one) if isinstance(one, HoldSeen) else self._proof(one)

    def _cyclic(self, one: CyclicSeen) -> list[str]:
        lines = [*self._name("cycling"), *_key("kind", "cyclic", f"{one.cycles:,} cycles seen")]
        lines += self._where(one.where)
        unit = self._units[one.axis]
        span = one.peak.value - one.valley.value
        drafted: list[str] = []
        if one.control is None:
            lines.append("# load and motion are equally steady: which of them the rig controls, the log cannot say")
        else:
            lines.append(f"# controlled by {one.control}: its peaks and valleys are the steadier")
        targets = {
            f"{one.axis}_min": ("valleys", one.valley), f"{one.axis}_max": ("peaks", one.peak),
        }  # fmt: skip
        for key, (what, level) in targets.items():
            value = f"{shortest(level.value, OF_RANGE * span):g} {unit}"
            why = f"{what} of {_of(level, unit)}"
            if one.steady:
                lines += _key(key, value, why)
                drafted.append(key)
            else:
                lines.append(f"# {key} = {as_toml(value)}  # {why}")
        if not one.steady:
            lines.append("# QUESTION: peaks or valleys are not steady: what are the targets? Without them cycles are")
            lines.append("# bounded by what the log shows, and a limit on cycles off target is not evaluated.")
            if one.axis == "motion":
                lines += _key("control", "motion", "the motion shows each cycle once")
        low, high = one.frequencies
        varied = f", from {low:.4g} to {high:.4g}" if high > 1.2 * low else ""
        lines += _key("frequency", f"{shortest(one.frequency, 0.005 * one.frequency):g} Hz", f"as seen{varied}")
        lines.append("# planned_cycles = 2_000_000  # QUESTION: how many does the protocol ask for? No log says it.")
        lines += self._baseline(one, drafted)
        return lines + _drafted(drafted)

    def _baseline(self, one: CyclicSeen, drafted: list[str]) -> Iterator[str]:
        if one.baseline is not None:
            drafted.append("baseline")
            yield from _key("baseline", list(one.baseline), one.baseline_why)
        elif self._change:
            ask = f"from which cycles are changes counted? {one.baseline_why[:1].upper()}{one.baseline_why[1:]}"
            write = "[first, last], after the run-in; it may lie ahead, such as [200, 400]"
            yield from self._question("baseline", ask, write)
        else:
            yield f"# baseline = [first, last]  # not drafted: {one.baseline_why}"

    def _sweep(self, one: SweepSeen) -> list[str]:
        load, motion = self._units["load"], self._units["motion"]
        span = one.high - one.low
        lines = [*self._name("free"), *_key("kind", "sweep", f"{one.sweeps} sweeps seen, the load hardly follows them")]
        lines += self._where(one.where)
        at = [one.low + part * span for part in THRESHOLDS]
        lines += _key("low", self._short(at[0], span, motion), f"a third of {one.low:.4g} to {one.high:.4g} {motion}")
        lines += _key("high", self._short(at[1], span, motion), "two thirds")
        slowest = 1.0 / one.slowest_s
        paced = f"{one.fastest_s:.3g} to {one.slowest_s:.3g} s a sweep"
        lines += _key("frequency", f"{shortest(slowest, 0.05 * slowest):g} Hz", f"the slowest: {paced}")
        width = one.free[1] - one.free[0]
        inner = [one.free[0] + INSIDE * width, one.free[1] - INSIDE * width]
        lines += _key(
            "resistance_between", [self._short(x, 4.0 * width, motion) for x in inner],
            f"the load is that of the middle from {one.free[0]:.4g} to {one.free[1]:.4g} {motion}",
        )  # fmt: skip
        usable = 2.0 * one.resistance
        lines += _key(
            "usable_load", f"{shortest(usable, 0.1 * usable):g} {load}",
            f"twice the {one.resistance:.3g} {load} in the middle; up to {one.largest_load:.4g} {load} seen",
        )  # fmt: skip
        lines.append(f"# planned_sweeps = {one.sweeps}  # {SO_FAR}")
        return lines + _drafted(["resistance_between", "usable_load"])

    def _hold(self, one: HoldSeen) -> list[str]:
        unit = self._units["load"]
        value = shortest(one.load.value, OF_RANGE * abs(one.load.value))
        seen = f"{one.count} hold(s) seen, the longest {_time(one.longest_s)} in one log"
        lines = [*self._name(f"held-{abs(value):g}"), *_key("kind", "hold", seen), *self._where(one.where)]
        lines += _key("load", f"{value:g} {unit}", f"held at {_of(one.load, unit)}")
        lines.append(f"# planned_holds = {one.count}  # {SO_FAR}")
        return lines + _drafted(["load"])

    def _proof(self, one: ProofSeen) -> list[str]:
        unit = self._units["load"]
        value, settling = (shortest(x, OF_RANGE * abs(one.load.value)) for x in (one.load.value, one.settling))
        seen = f"{one.count} seen: beyond the cycles, between two stays at {one.settling:.4g} {unit}"
        lines = [*self._name("strength"), *_key("kind", "proof", seen), *self._where(one.where)]
        lines += _key("load", f"{value:g} {unit}", f"held at {_of(one.load, unit)}")
        lines += _key("settling_load", f"{settling:g} {unit}", "before and after")
        lines += _key("hold_time", f"{shortest(one.hold_s, 0.05 * one.hold_s):g} s", f"held for {one.hold_s:.3g} s")
        rest = max(float(int(one.settling_s)), 1.0)
        lines += _key("settling_time", f"{rest:g} s", f"it stays there for {one.settling_s:.3g} s, before or after")
        lines.append(f"# planned_proofs = {one.count}  # {SO_FAR}")
        return lines + _drafted(["load", "settling_load", "hold_time", "settling_time"])

    def _idle(self, where: Where) -> list[str]:
        return [*self._name("rest"), *_key("kind", "idle", "nothing moves there"), *self._where(where)]

    def _where(self, where: Where) -> Iterator[str]:
        if where.also:
            ask = f"the same logs hold {where.also} too, and neither mode nor file names tell them apart"
            yield from self._question("files", ask, 'patterns of log names, such as ["cycling_*"]')
        elif where.files:
            yield from _key("files", list(where.files), "of the plan's logs")
        if where.mode is not None:
            yield from _key("mode", where.mode, "only rows in which the mode channel has this value")

    def _name(self, wanted: str) -> Iterator[str]:
        name, number = wanted.replace(".", "-"), 2
        while name in self._names:
            name, number = f"{wanted.replace('.', '-')}-{number}", number + 1
        self._names.add(name)
        yield from _key("name", name, "")

    def _question(self, key: str, ask: str, write: str) -> Iterator[str]:
        self._questions.append(f"{key}: {ask}")
        yield f"# QUESTION: {ask}"
        yield f"# Write {write}."
        yield f'{key} = "?"'

    def _short(self, value: float, span: float, unit: str) -> str:
        return f"{shortest(value, OF_RANGE * abs(span)):g} {unit}"


def _key(key: str, value: Any, why: str) -> Iterator[str]:
    text = f"{key} = {as_toml(value)}"
    yield f"{text:<{WIDTH}}  # {why}" if why else text


def _drafted(keys: list[str]) -> list[str]:
    return [f"# {NOT_JUDGED}", f"drafted = {as_toml(keys)}"] if keys else []


def _of(level: Level, unit: str) -> str:
    scatter = f" \u00b1 {level.scatter:.2g}" if level.scatter > 0.0 else ""
    return f"{level.value:.5g}{scatter} {unit}"


def _time(seconds: float) -> str:
    for size, unit in ((86_400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s" if math.isfinite(seconds) else "?"
