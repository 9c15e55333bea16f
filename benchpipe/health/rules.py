"""When a rig is not well: one row of the table a rule.

A rule looks at the gathered facts and at nothing else. It returns each problem with its place (block or channel),
and nothing where all is well or the facts do not decide.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import TYPE_CHECKING, Generic, TypeVar

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.health.facts import CycleTail, RunFacts, StoreFacts
from benchpipe.health.finding import Finding

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchpipe.config.watching import HealthConfig

F = TypeVar("F")
RuleFindings = Iterator[tuple[str, str]]  # place (which one it is, from night to night), what is wrong
DAY_S = 86_400.0


@dataclass(frozen=True)
class HealthRule(Generic[F]):
    """One way not to be well.

    Attributes
    ----------
    code : str
        Names it in what is shown and in a lab file's ``on``.
    looks_at : str
        What is looked at, in words.
    keys : tuple of str
        Keys of ``[health]`` that it goes by.
    find : callable
        ``find(facts, config)`` gives place and text of each thing that is wrong.
    do_next : str
    """

    code: str
    looks_at: str
    keys: tuple[str, ...]
    find: Callable[[F, HealthConfig], RuleFindings]
    do_next: str


def findings(rules: tuple[HealthRule[F], ...], facts: F, config: HealthConfig) -> tuple[Finding, ...]:
    """All that the rules find, in their order: worst first."""
    return tuple(
        Finding(rule.code, where, text, rule.do_next) for rule in rules for where, text in rule.find(facts, config)
    )


def _clock(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    if facts.seen_us is not None and facts.seen_us > facts.now_us + 1e6 * config.clock_apart:
        what = "the last row" if facts.by_row else "the last writing of the log"
        ahead = span((facts.seen_us - facts.now_us) / 1e6)
        yield "", (
            f"{what} is of {moment(facts.seen_us)}, {ahead} after this computer's time {moment(facts.now_us)}: "
            "whether the rig has stopped is not known"
        )


def _stopped(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    """Its place holds the time: a rig that was started and stopped again before the next night is news."""
    if facts.seen_us is None or facts.over:
        return
    cycles = facts.cycles
    longest_s = cycles.block.longest_cycle_s if cycles else facts.longest_cycle_s
    least = max(config.stopped_after, longest_s)
    silent = (facts.now_us - facts.seen_us) / 1e6
    if silent > least:
        since = f"since {moment(facts.seen_us)}"
        yield f"{facts.block} {since}".strip(), f"stopped {since} ({span(silent)}): no row came after that"
    elif facts.standing_s > least:
        since = f"since {moment(facts.seen_us - round(1e6 * facts.standing_s))}"
        text = f"stopped {since} ({span(facts.standing_s)}): rows come, and no cycle in them"
        yield f"{facts.block} {since}".strip(), text


def _stuck(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    for channel in facts.channels:
        if channel.still_s > config.stuck_after:
            what = "has had no value" if channel.missing else "has shown one and the same value"
            least = "at least the last" if channel.least else "the last"
            yield channel.name, f"'{channel.name}' {what} for {least} {span(channel.still_s)} of the log"


def _off_target(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    if facts.cycles is None:
        return
    flags = facts.cycles.last("flags", config.last_cycles).astype("int64")
    if flags.size == 0:
        return
    share = float(((flags & int(CycleFlag.OFF_TARGET)) != 0).mean())
    if share > config.off_target:
        reached = _reached(facts.cycles, (flags & int(CycleFlag.OFF_TARGET)) != 0, config)
        yield facts.block, f"{share:.0%} of the last {flags.size:,} cycles were off target{reached}"


def _reached(cycles: CycleTail, off: NDArray[np.bool_], config: HealthConfig) -> str:
    """What the cycles off target reached at either end, and what was asked for."""
    if cycles.block.targets is None:
        return ""
    import numpy as np

    low, high = cycles.block.targets
    names = ("valley_load", "peak_load") if cycles.block.load_min is not None else ("motion_min", "motion_max")
    at = [float(np.median(cycles.last(name, config.last_cycles)[off])) for name in names]
    asked = f"asked for are {low.value:.4g} to {high.value:.4g}"
    return f": they went from {at[0]:.4g} to {at[1]:.4g} {high.unit} (medians), {asked}"


def _dropped(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    if facts.cycles is None:
        return
    import numpy as np

    period, samples = (facts.cycles.last(name, config.last_cycles) for name in ("period_s", "samples"))
    due = float(np.nansum(period)) * facts.cycles.rate
    if due > 0.0 and 1.0 - samples.sum() / due > config.dropped_samples:
        share = 1.0 - samples.sum() / due
        yield facts.block, (
            f"{share:.1%} of the samples are not there: the last {samples.size:,} cycles have {samples.sum():,.0f} "
            f"of {due:,.0f} at {facts.cycles.rate:g} Hz"
        )


def _slow(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    if facts.cycles is None:
        return
    import numpy as np

    period = facts.cycles.last("period_s", config.last_cycles)
    planned = facts.cycles.block.frequency
    rate = 1.0 / float(np.nanmedian(period)) if np.isfinite(period).any() else np.nan
    if rate < planned * (1.0 - config.slower):
        yield facts.block, f"{rate:.3g} cycles a second in the last {period.size:,} cycles, planned are {planned:g}"


def _counter(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    cycles = facts.cycles
    if cycles is None or not cycles.counted or not isfinite(cycles.differ):
        return
    if abs(cycles.differ) > config.counter_apart * cycles.counted:
        counted = cycles.counted + cycles.differ
        yield facts.block, (
            f"at the end of the log {cycles.counted:,} cycles were found, and the rig's counter counted "
            f"{counted:,.6g}: they go apart, unexplained"
        )


def _calibration(facts: RunFacts, config: HealthConfig) -> RuleFindings:
    for channel, due in sorted(facts.due, key=lambda item: item[1]):
        days = (due - facts.today).days
        if days * DAY_S <= config.calibration_within:
            when = f"is due on {due}, in {days} day(s)" if days >= 0 else f"was due on {due}, {-days} day(s) ago"
            yield channel, f"the calibration of '{channel}' {when}"


def _space(facts: StoreFacts, config: HealthConfig) -> RuleFindings:
    if facts.a_day * config.space_for / DAY_S > facts.free:
        lasts = span(facts.free / facts.a_day * DAY_S)
        yield "store", (
            f"the store's disk has {size(facts.free)} free, and {len(facts.runs)} run(s) fill {size(facts.a_day)} a "
            f"day: it is full in {lasts}"
        )


# Worst first.
RUN_RULES: tuple[HealthRule[RunFacts], ...] = (
    HealthRule("clock", "last row against this computer's time", ("clock_apart",), _clock,
         "set the clock that is wrong, of this computer or of the rig; times before then stay as they are"),
    HealthRule("rig-stopped", "last row against now, last cycle against the last row", ("stopped_after",), _stopped,
         "see why the rig is stopped; where its logs only come late, raise stopped_after in the lab file"),
    HealthRule("sensor-stuck", "time since load and motion last changed, and since a channel last had a value",
         ("stuck_after",), _stuck, "check the sensor, its cable and its amplifier"),
    HealthRule("load-not-reached", "flag 'off target' of the last cycles", ("off_target", "last_cycles"), _off_target,
         "check the rig's control and its supply, and whether the specimen has softened"),
    HealthRule("dropped-samples", "samples of the last cycles against sample_rate", ("dropped_samples", "last_cycles"),
         _dropped, "check the logger; if it logs at another rate now, correct sample_rate in the rig file"),
    HealthRule("rig-slow", "period of the last cycles against frequency", ("slower", "last_cycles"), _slow,
         "check the rig's control; if the plan was changed, correct frequency"),
    HealthRule("counter-apart", "the rig's counter against the detection, over the last cycles",
         ("counter_apart", "counter_cycles"), _counter,
         "look at raw rows (see: benchpipe trace --help), then repair the counter or set low and high in the plan"),
    HealthRule("calibration-due", "due dates of the rig file", ("calibration_within",), _calibration,
         "have it calibrated, and enter the new calibration in the rig file"),
)  # fmt: skip
STORE_RULES: tuple[HealthRule[StoreFacts], ...] = (
    HealthRule("disk-space", "growth of the tables against free space", ("space_for",), _space,
         "free space on that disk, or move runs that are finished to an archive"),
)  # fmt: skip


TIMED = frozenset({"clock", "rig-stopped", "calibration-due"})  # what they find depends on the hour


def findings_at(kept: tuple[Finding, ...], facts: RunFacts, config: HealthConfig) -> tuple[Finding, ...]:
    """What :data:`RUN_RULES` find at another hour of the same data.

    Parameters
    ----------
    kept : tuple of Finding
        What they found then.
    facts : RunFacts
        Of this hour. Of cycles and channels it need not know: only rules of :data:`TIMED` look at it.
    """
    again = findings(tuple(rule for rule in RUN_RULES if rule.code in TIMED), facts, config)
    found = (*again, *(one for one in kept if one.code not in TIMED))
    return tuple(one for rule in RUN_RULES for one in found if one.code == rule.code)


def span(seconds: float) -> str:
    """A length of time in the largest unit that fits: ``4.8 h``."""
    for unit, length in (("d", DAY_S), ("h", 3600.0), ("min", 60.0)):
        if abs(seconds) >= 2 * length:
            count = seconds / length
            return f"{count:,.0f} {unit}" if count >= 100 else f"{count:.3g} {unit}"
    return f"{seconds:.3g} s"


def size(count: float) -> str:
    """Bytes in the largest unit that fits: ``3.2 GB``."""
    for unit, length in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= length:
            return f"{count / length:.3g} {unit}"
    return f"{count:.0f} B"


def moment(us: int) -> str:
    """A time by the clock it is of: ``2031-04-14 22:41``."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)).strftime("%Y-%m-%d %H:%M")
