"""Running sums over a block's cycles: a night reads the new part of them, and not the millions before it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.bins import with_values
from benchpipe.blocks.cyclic.counter_sums import counter_then, is_stale
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.repeats import REPEAT_COLUMNS, ReadRows, repeats_then
from benchpipe.blocks.cyclic.restarts import shifts_then
from benchpipe.blocks.cyclic.running import CounterSums, CycleSums, FlagCount
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.columns import floats
from benchpipe.config.rig import RigConfig

COUNTER_COLUMNS = ["start_us", "counter", "complete", "segment", "samples", "uncrossed"]
# Columns of the cycles table that the remarks are made of.
REMARK_COLUMNS = [
    *dict.fromkeys([
        "flags", *COUNTER_COLUMNS, "peak_load", "valley_load", "motion_max", "motion_min", "period_s",
        "secant_stiffness", *REPEAT_COLUMNS,
    ])
]  # fmt: skip
STOP_PART = 0.9  # of the time after which an open cycle is a stop: so long its samples must last


def sums_then(sums: CycleSums, block: CyclicBlock, rig: RigConfig, cycles: pa.Table) -> CycleSums:
    """Sums that go on with the next rows of a block's cycles.

    Parameters
    ----------
    sums : CycleSums
        Of all rows before; empty at the beginning.
    cycles : pyarrow Table
        Columns :data:`REMARK_COLUMNS`, n rows.
    """
    get = arrays_of(cycles)
    complete = np.asarray(get["complete"], bool)
    stiffness = get["secant_stiffness"][complete]
    stiffness = stiffness[np.isfinite(stiffness)]
    samples, repeats = repeats_then(sums, cycles)
    cut = block.boundary != "row" and rig.counter is not None
    return CycleSums(
        rows=sums.rows + cycles.num_rows,
        complete=sums.complete + int(complete.sum()),
        uncrossed=sums.uncrossed + int(np.nansum(get["uncrossed"])),
        span=_span(sums, get["start_us"][complete], get["period_s"][complete]),
        flags=_flags(sums, np.asarray(get["flags"], np.int64), complete),
        stiffnesses=sums.stiffnesses + stiffness.size,
        negative=sums.negative + int((stiffness < 0).sum()),
        periods=with_values(sums.periods, get["period_s"][complete]),
        samples=samples,
        repeats=repeats,
        shifts=shifts_then(sums.shifts, get),
        counter=counter_rows_then(sums.counter or CounterSums(), block, rig, get) if cut else None,
    )


def with_rate(sums: CycleSums, block: CyclicBlock, rig: RigConfig, read: ReadRows) -> CycleSums:
    """The same sums; where the counter's rate is another than before, ``read`` gives all rows to find what is odd."""
    if sums.counter is None or not is_stale(sums.counter):
        return sums
    counter = counter_rows_then(CounterSums(), block, rig, arrays_of(read(COUNTER_COLUMNS)))
    return sums.model_copy(update={"counter": counter})


def counter_rows_then(
    counter: CounterSums, block: CyclicBlock, rig: RigConfig, get: Mapping[str, NDArray[Any]]
) -> CounterSums:
    """Sums of the counter that go on with the next rows, their columns :data:`COUNTER_COLUMNS`."""
    return counter_then(
        counter, get["start_us"], get["counter"], get["complete"], get["segment"],
        stopped=stood_still(block, rig, get), uncrossed=get["uncrossed"],
    )  # fmt: skip


def stood_still(block: CyclicBlock, rig: RigConfig, get: Mapping[str, NDArray[Any]]) -> NDArray[np.bool_]:
    """Which rows are open although the log went on for as long as a stop."""
    stood = get["samples"] / rig.time.sample_rate >= STOP_PART * block.longest_cycle_s
    return np.asarray(stood & ~np.asarray(get["complete"], bool))


def arrays_of(cycles: pa.Table) -> dict[str, NDArray[Any]]:
    """Columns as arrays of their own type, or of float64 with NaN where there are nulls."""
    return {name: _array(cycles.column(name)) for name in cycles.column_names}


def _array(column: pa.ChunkedArray) -> NDArray[Any]:
    return floats(column) if column.null_count else np.asarray(column.combine_chunks())  # a view, to be read only


def _span(sums: CycleSums, start_us: NDArray[np.int64], period_s: NDArray[Any]) -> tuple[int, int] | None:
    """First start and last end of complete cycles; one without a period ends where it begins."""
    if not start_us.size:
        return sums.span
    end = start_us + np.rint(1e6 * np.nan_to_num(np.asarray(period_s, np.float64))).astype(np.int64)
    first, last = sums.span or (int(start_us.min()), int(end.max()))
    return min(first, int(start_us.min())), max(last, int(end.max()))


def _flags(sums: CycleSums, flags: NDArray[np.int64], complete: NDArray[np.bool_]) -> tuple[FlagCount, ...]:
    """How many rows carry each flag that some do, and the first complete cycle of them."""
    known = {one.flag: one for one in sums.flags}
    for flag in map(int, CycleFlag):
        odd = np.flatnonzero(flags & flag)
        if odd.size:
            _, count, first = known.get(flag, FlagCount(flag, 0, None))
            closed = odd[complete[odd]]
            if first is None and closed.size:
                first = sums.complete + int(complete[: closed[0] + 1].sum())
            known[flag] = FlagCount(flag, count + odd.size, first)
    return tuple(known[flag] for flag in sorted(known))
