"""Remarks on a block's cycles: anomalies, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.counting import JUMP, CountResult, reconcile, rows_every
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.repeats import REPEAT_COLUMNS, held_cycles
from benchpipe.blocks.cyclic.restarts import zero_shifts
from benchpipe.blocks.cyclic.state import Thresholds, UsualRepeats
from benchpipe.blocks.cyclic.tables import FLAG_MEANING, CycleFlag
from benchpipe.blocks.cyclic.trends import NOT_JUDGED
from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Remark

# Columns of the cycles table that the remarks are made of.
_COLUMNS = [
    "flags", "start_us", "segment", "complete", "samples", "counter", "uncrossed", "peak_load", "valley_load",
    "motion_max", "motion_min", "period_s", "secant_stiffness",
]  # fmt: skip
REMARK_COLUMNS = list(dict.fromkeys([*_COLUMNS, *REPEAT_COLUMNS]))
MOST_OFF = 1.5  # times longer or shorter than the plan's cycles: other cycles
REVERSED = 0.95  # of the cycles: the load falls where the motion rises (common practice, no source)
LEAST_REVERSED = 10  # cycles with a stiffness that say so
STOP_PART = 0.9  # of the time after which an open cycle is a stop: so long its samples must last


def cycle_remarks(
    block: CyclicBlock, rig: RigConfig, cycles: pa.Table, counted: CountResult | None = None
) -> list[Remark]:
    """Remarks on a block: flags that cycles carry, the rig's counter, zeros that moved at a restart, a sign.

    ``counted`` is :func:`counted_cycles` where that is known already.
    """
    remarks = [*_flagged(block.name, cycles)]
    get = {name: _array(cycles, name) for name in _COLUMNS}
    counted = counted if counted is not None else counted_cycles(block, rig, cycles)
    if counted is not None:
        remarks += _counted(block.name, counted)
    for signal, high, low in (("load", "peak_load", "valley_load"), ("motion", "motion_max", "motion_min")):
        for found in zero_shifts(get["start_us"], get["segment"], get["complete"], get[high], get[low]):
            unit = signal_units(rig)[signal]
            moved = f"at the restart before segment {found.segment} the {signal} moved by {found.shift:.3g} {unit}"
            text = f"{moved} as a whole ({found.of_range:+.1%} of its range): was the channel tared again?"
            if np.isnan(found.of_range):
                text = f"{moved}, and stands still on both sides: is its sensor connected?"
            remarks.append(Remark(step="process", code="zero-shift", where=block.name, count=1, text=text))
    remarks += _reversed(block, rig, get["secant_stiffness"][get["complete"]])
    return [*remarks, *_paced(block, get["period_s"][get["complete"]])]


def held_remarks(block: CyclicBlock, cycles: pa.Table, usual: Mapping[str, UsualRepeats]) -> Iterator[Remark]:
    """How many cycles hold one value for a part, ``usual`` as the block's state keeps it."""
    held = held_cycles(cycles, usual)
    count = int(held.sum())
    if count:
        closed = np.cumsum(np.array(cycles.column("complete"), bool))[held]
        text = (
            f"{count:,} cycle(s) stuck in a part, the first at cycle {closed[0]:,}: load or motion repeats one value "
            "for longer than its digits, its noise and the other cycles explain (a sensor that sticks, a signal that "
            "is clipped): extremes may be hidden"
        )
        yield Remark(step="process", code="stuck-in-part", where=block.name, count=count, text=text)


def _reversed(block: CyclicBlock, rig: RigConfig, stiffness: NDArray[Any]) -> Iterator[Remark]:
    """A load that falls where the motion rises: no specimen does so all the time, a channel that is reversed does."""
    known = stiffness[np.isfinite(stiffness)]
    count = int((known < 0).sum())
    if count >= max(LEAST_REVERSED, REVERSED * known.size):
        ways = ", ".join(
            f"[{name}] has the channel '{axis.channel}' with sign = {axis.sign}"
            for name, axis in (("load", rig.load), ("motion", rig.motion))
        )
        machine = rig.motion.machine_stiffness is not None
        text = (
            f"the stiffness is negative in {count:,} of {known.size:,} cycles: the load falls where the motion rises. "
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


def _paced(block: CyclicBlock, period_s: NDArray[Any]) -> Iterator[Remark]:
    """Cycles that are not those of the plan: such as half of them, where a load has two peaks a cycle."""
    period_s = period_s[np.isfinite(period_s)]
    turns = float(np.median(period_s)) * block.frequency if period_s.size else 1.0
    if turns * MOST_OFF < 1.0 or turns > MOST_OFF:
        how = "two peaks a cycle? Let low and high stand" if turns < 1.0 else "is every cycle crossed? Set low and high"
        text = (
            f"a cycle lasts {turns / block.frequency:.3g} s in the middle, the plan says {1 / block.frequency:.3g} s: "
            f"{how} so that each cycle crosses both once, or correct frequency"
        )
        yield Remark(step="process", code="period", where=block.name, count=len(period_s), text=text)


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
    block: CyclicBlock, rig: RigConfig, cycles: pa.Table, restarts_us: Sequence[int] = (),
    end: tuple[int, float] | None = None,
) -> CountResult | None:  # fmt: skip
    """Compare a block's cycles with the rig's counter; None where the rig has none, or there are no two cycles.

    ``end``: time and counter of the last sample, which may lie in no cycle.
    """
    if rig.counter is None or cycles.num_rows < 2:
        return None
    names = ("start_us", "counter", "complete", "segment", "samples", "uncrossed")
    get = {name: _array(cycles, name) for name in names}
    if end is not None and end[0] > get["start_us"][-1] and abs(end[1] - get["counter"][-1]) > JUMP:
        last = dict(zip(names, (*end, False, get["segment"][-1], 0, 0), strict=True))
        get = {name: np.append(values, last[name]) for name, values in get.items()}
    return count_cycles(block, rig, get, restarts_us)


def count_cycles(
    block: CyclicBlock, rig: RigConfig, get: dict[str, NDArray[Any]], restarts_us: Sequence[int] = ()
) -> CountResult:
    """Compare rows of the cycles table with the rig's counter; ``restarts_us``: the log's clock began again there."""
    every = rows_every(get["start_us"], get["counter"], block.frequency) if block.boundary == "row" else 1
    stood = get["samples"] / rig.time.sample_rate >= STOP_PART * block.longest_cycle_s
    return reconcile(
        get["start_us"], get["counter"], get["complete"], get["segment"], stopped=stood & ~get["complete"],
        restarts_us=restarts_us, every=every, uncrossed=get["uncrossed"],
    )  # fmt: skip


def _array(cycles: pa.Table, name: str) -> NDArray[Any]:
    column = cycles.column(name).combine_chunks()
    return np.asarray(column.fill_null(float("nan")) if column.null_count else column)  # a view: nothing writes into it


def _flagged(block: str, cycles: pa.Table) -> Iterator[Remark]:
    """One remark for each flag that some cycles carry; where it keeps them from being judged, from which on."""
    flags = np.array(cycles.column("flags"))
    complete, uncrossed = np.array(cycles.column("complete")), np.array(cycles.column("uncrossed"))
    number = np.cumsum(complete)
    for flag, meaning in FLAG_MEANING.items():
        odd = (flags & int(flag)) != 0
        count = int(uncrossed.sum()) if flag is CycleFlag.UNCROSSED else int(odd.sum())
        if count:
            name = (flag.name or "").lower().replace("_", " ")
            closed = number[odd & complete]
            begun = f", from cycle {closed[0]:,} on" if flag in NOT_JUDGED and closed.size else ""
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
