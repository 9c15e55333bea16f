"""Remarks on a block's cycles: anomalies, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.bins import median_between
from benchpipe.blocks.cyclic.counter_sums import JUMP
from benchpipe.blocks.cyclic.counting import CountResult, counter_result, reconcile, rows_every
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.repeats import ReadRows, held_cycles
from benchpipe.blocks.cyclic.restarts import moved_zeros
from benchpipe.blocks.cyclic.running import CycleSums, FlagCount
from benchpipe.blocks.cyclic.state import Thresholds, UsualRepeats
from benchpipe.blocks.cyclic.sums import COUNTER_COLUMNS, arrays_of, counter_rows_then, stood_still
from benchpipe.blocks.cyclic.tables import FLAG_MEANING, CycleFlag
from benchpipe.blocks.cyclic.trends import NOT_JUDGED
from benchpipe.columns import floats
from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Remark

MOST_OFF = 1.5  # times longer or shorter than the plan's cycles: other cycles
REVERSED = 0.95  # of the cycles: the load falls where the motion rises (common practice, no source)
LEAST_REVERSED = 10  # cycles with a stiffness that say so


def cycle_remarks(
    block: CyclicBlock, rig: RigConfig, sums: CycleSums, counted: CountResult | None, read: ReadRows
) -> list[Remark]:
    """Remarks on a block: flags that cycles carry, the rig's counter, zeros that moved at a restart, a sign.

    Parameters
    ----------
    sums : CycleSums
        Of all rows of its cycles.
    counted : CountResult or None
        The same rows and the rig's counter.
    read : callable
        Columns → a table of all its cycles: asked only where a remark has to say what the sums do not know.
    """
    remarks = [*_flagged(block.name, sums)]
    if counted is not None:
        remarks += _counted(block.name, counted)
    for signal, shifts in moved_zeros(sums.shifts).items():
        for found in shifts:
            unit = signal_units(rig)[signal]
            moved = f"at the restart before segment {found.segment} the {signal} moved by {found.shift:.3g} {unit}"
            text = f"{moved}, and stands still on both sides: is its sensor connected?"
            if found.of_range is not None:
                text = f"{moved} as a whole ({found.of_range:+.1%} of its range): was the channel tared again?"
            remarks.append(Remark(step="process", code="zero-shift", where=block.name, count=1, text=text))
    remarks += _reversed(block, rig, sums)
    return [*remarks, *_paced(block, sums, read)]


def held_remarks(
    block: CyclicBlock, pieces: Iterable[tuple[int, pa.Table]], usual: Mapping[str, UsualRepeats]
) -> Iterator[Remark]:
    """How many cycles hold one value for a part, ``usual`` as the block's state keeps it.

    ``pieces``: the complete cycles before each piece of the block's cycles, and its rows; all that can hold such ones.
    """
    count, first = 0, 0
    for before, cycles in pieces:
        held = held_cycles(cycles, usual)
        if held.any():
            closed = np.cumsum(np.array(cycles.column("complete"), bool))[held]
            first = first if count else before + int(closed[0])
            count += int(held.sum())
    if count:
        text = (
            f"{count:,} cycle(s) stuck in a part, the first at cycle {first:,}: load or motion repeats one value "
            "for longer than its digits, its noise and the other cycles explain (a sensor that sticks, a signal that "
            "is clipped): extremes may be hidden"
        )
        yield Remark(step="process", code="stuck-in-part", where=block.name, count=count, text=text)


def _reversed(block: CyclicBlock, rig: RigConfig, sums: CycleSums) -> Iterator[Remark]:
    """A load that falls where the motion rises: no specimen does so all the time, a channel that is reversed does."""
    count, known = sums.negative, sums.stiffnesses
    if count >= max(LEAST_REVERSED, REVERSED * known):
        ways = ", ".join(
            f"[{name}] has the channel '{axis.channel}' with sign = {axis.sign}"
            for name, axis in (("load", rig.load), ("motion", rig.motion))
        )
        machine = rig.motion.machine_stiffness is not None
        text = (
            f"the stiffness is negative in {count:,} of {known:,} cycles: the load falls where the motion rises. "
            f"Is a channel reversed? In the rig file {ways}: turn the sign of the one that is"
            f"{', or correct machine_stiffness if it is too small' if machine else ''}"
        )
        yield Remark(step="process", code="sign-reversed", where=block.name, count=count, text=text)


def sparse_remark(block: CyclicBlock, every: int, *, counted: bool) -> Remark:
    """A log of one row a cycle that has a row for some of them only."""
    how = "by its counter and the spacing of its rows" if counted else "by the spacing of its rows"
    text = (
        f"the log has one row for {every} cycles, {how} at {block.frequency:g} Hz: what the others did is not known; "
        "if it has a row for each, correct frequency"
    )
    return Remark(step="process", code="sparse-rows", where=block.name, count=every, text=text)


def _paced(block: CyclicBlock, sums: CycleSums, read: ReadRows) -> Iterator[Remark]:
    """Cycles that are not those of the plan: such as half of them, where a load has two peaks a cycle."""
    if all(_planned(block, period_s) for period_s in median_between(sums.periods)):
        return
    rows = read(["complete", "period_s"])
    period_s = floats(rows.column("period_s"))[np.array(rows.column("complete"), bool)]
    period_s = period_s[np.isfinite(period_s)]
    middle = float(np.median(period_s))
    if not _planned(block, middle):
        turns = middle * block.frequency
        how = "two peaks a cycle? Let low and high stand" if turns < 1.0 else "is every cycle crossed? Set low and high"
        text = (
            f"a cycle lasts {turns / block.frequency:.3g} s in the middle, the plan says {1 / block.frequency:.3g} s: "
            f"{how} so that each cycle crosses both once, or correct frequency"
        )
        yield Remark(step="process", code="period", where=block.name, count=len(period_s), text=text)


def _planned(block: CyclicBlock, period_s: float) -> bool:
    """Whether a cycle lasts about as long as the plan says; it does where there is none."""
    turns = period_s * block.frequency
    return not (turns * MOST_OFF < 1.0 or turns > MOST_OFF)


def learnt_remark(block: CyclicBlock, rig: RigConfig, learnt: Thresholds) -> Remark:
    """What thresholds were learnt, and from where."""
    unit = signal_units(rig)[block.trigger]
    kept = "and stay" if learnt.settled else "so far: more samples may change them"
    text = (
        f"the plan gives no targets: cycles are bounded at {learnt.low:.6g} and {learnt.high:.6g} {unit} of the "
        f"{block.trigger}, learnt from samples {learnt.first:,} to {learnt.last:,} of the block, {kept}"
    )
    return Remark(step="process", code="thresholds-learnt", where=block.name, count=1, text=text)


def not_learnt(block: CyclicBlock) -> Remark:
    """Why a block without thresholds has no cycles."""
    text = (
        f"no {block.trigger} that cycles at about {block.frequency:g} Hz was found to learn thresholds from: "
        "give load_min and load_max (or motion_min and motion_max), or low and high, or correct frequency"
    )
    return Remark(step="process", code="thresholds-not-learnt", where=block.name, count=1, text=text)


def counted_cycles(
    block: CyclicBlock, rig: RigConfig, sums: CycleSums, restarts_us: Sequence[int], end: tuple[int, float] | None,
    read: ReadRows,
) -> CountResult | None:  # fmt: skip
    """Compare a block's cycles with the rig's counter; None where the rig has none, or there are no two cycles.

    Parameters
    ----------
    sums : CycleSums
        Of all rows of its cycles.
    restarts_us : sequence of int
        The log's clock began again there.
    end : (int, float) or None
        Time and counter of the last sample, which may lie in no cycle.
    read : callable
        Columns → a table of all its cycles: asked only where too many places are odd, or with another rate than before.
    """
    counter = sums.counter
    if counter is None or sums.rows < 2:
        return None
    last = counter.last if counter.at_end else None
    more = None
    if end is not None and last is not None and end[0] > last.start_us and abs(end[1] - last.counter) > JUMP:
        more = dict(zip(COUNTER_COLUMNS, (*end, False, last.segment, 0, 0), strict=True))
        counter = counter_rows_then(counter, block, rig, {name: np.array([value]) for name, value in more.items()})
    found = counter_result(counter, restarts_us)
    if found is not None:
        return found
    get = arrays_of(read(COUNTER_COLUMNS))
    if more is not None:
        get = {name: np.append(values, more[name]) for name, values in get.items()}
    return count_cycles(block, rig, get, restarts_us)


def count_cycles(
    block: CyclicBlock, rig: RigConfig, get: Mapping[str, NDArray[Any]], restarts_us: Sequence[int] = ()
) -> CountResult:
    """Compare rows of the cycles table with the rig's counter; ``restarts_us``: the log's clock began again there."""
    every = rows_every(get["start_us"], get["counter"], block.frequency) if block.boundary == "row" else 1
    return reconcile(
        get["start_us"], get["counter"], get["complete"], get["segment"], stopped=stood_still(block, rig, get),
        restarts_us=restarts_us, every=every, uncrossed=get["uncrossed"],
    )  # fmt: skip


def _flagged(block: str, sums: CycleSums) -> Iterator[Remark]:
    """One remark for each flag that some cycles carry; where it keeps them from being judged, from which on."""
    known = {one.flag: one for one in sums.flags}
    for flag, meaning in FLAG_MEANING.items():
        _, carried, first = known.get(int(flag), FlagCount(int(flag), 0, None))
        count = sums.uncrossed if flag is CycleFlag.UNCROSSED else carried
        if count:
            name = (flag.name or "").lower().replace("_", " ")
            begun = f", from cycle {first:,} on" if flag in NOT_JUDGED and first is not None else ""
            text = f"{count:,} cycle(s) {name}{begun}: {meaning}"
            yield Remark(step="process", code=name.replace(" ", "-"), where=block, count=count, text=text)


def _counted(block: str, found: CountResult) -> Iterator[Remark]:
    """How the rig's counter and the detection differ, and why."""
    if found.n_used < 2:
        yield Remark(step="process", code="counter", where=block, count=0, text="the rig's counter has no values")
        return
    means = {
        "gap": "in logging gaps", "stop": "at stops", "uncrossed": "that crossed no threshold",
        "reset": "at counter restarts",
        "rollover": "at counter rollovers", "tick": "by the moment of the tick",
    }  # fmt: skip
    sums = {kind: found.by_kind(kind) for kind in means}  # type: ignore[arg-type]
    why = [f"{sums[kind]:+,.6g} {text}" for kind, text in means.items() if abs(sums[kind]) >= 0.5]
    unexplained = [d for d in found.differences if d.kind == "unexplained"]
    if unexplained:
        why.append(f"{sum(d.cycles for d in unexplained):+,.6g} unexplained, at {len(unexplained)} place(s)")
    if not (why or found.resets or found.rollovers):
        return
    rate = "" if found.per_cycle == 1.0 else f", {found.per_cycle:g} tick(s) a cycle"
    again = [f"{n} {what}(s)" for n, what in ((found.resets, "reset"), (found.rollovers, "rollover")) if n]
    text = (
        f"cycle count from the first to the last: rig counter {found.counted:,.6g}{rate}, detected {found.detected:,}"
        f"{': ' if why else ''}{', '.join(why)}{'; ' if again else ''}{', '.join(again)}"
    )
    code = "counter-unexplained" if unexplained else "counter"
    yield Remark(step="process", code=code, where=block, count=round(abs(found.counted - found.detected)), text=text)
