"""Why a cycle may hide what a limit forbids."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.repeats import REPEAT_COLUMNS
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.left_out import MOST_LOST, NAMES, NONE, THINNED_FROM, Codes, Floats, LogClock
from benchpipe.columns import floats
from benchpipe.kernels.robust import mad_sigma

BY_FLAG = (
    ("saturated", CycleFlag.SATURATED), ("gap", CycleFlag.GAP | CycleFlag.BROKEN_OFF),
    ("lost_rows", CycleFlag.LOST_ROWS), ("stood_still", CycleFlag.STOOD_STILL),
    ("uncrossed", CycleFlag.UNCROSSED), ("under_sampled", CycleFlag.UNDER_SAMPLED),
)  # fmt: skip
NEIGHBOURS = 11  # cycles that a cycle's samples are compared with, itself among them
FEWER_SAMPLES = 1.5  # a boundary falls before or after a sample
FAR = 6.0  # robust standard deviations
MOST_NEGATIVE = 0.01  # loss factor that noise may make
REVERSED = 0.95  # of the cycles
LEAST_REVERSED = 10
CYCLE_COLUMNS = [*REPEAT_COLUMNS, "loss_factor", "period_s", "lost_rows", "uncrossed", "longest_step_s"]


def reversed_loops(rows: pa.Table) -> NDArray[np.bool_]:
    """Cycles whose loop gives energy out: a channel is reversed, whatever the specimen does.

    A loop of next to no loss may be a little negative by noise: it counts only beyond :data:`MOST_NEGATIVE`, or
    where nearly all are.
    """
    loss = floats(rows.column("loss_factor"))
    known = loss[np.isfinite(loss)]
    if known.size >= LEAST_REVERSED and float((known < 0.0).mean()) >= REVERSED:
        return np.isfinite(loss)
    return np.asarray(np.nan_to_num(loss) < -MOST_NEGATIVE)


def cycle_reasons(
    rows: pa.Table,
    ended: NDArray[np.bool_],
    clock: LogClock,
    value: Floats,
    reversed_loop: NDArray[np.bool_],
    held: NDArray[np.bool_],
) -> Codes:
    """Why each cycle may hide something: a place in :data:`NAMES`, or -1.

    Parameters
    ----------
    rows : pyarrow Table
        Columns :data:`CYCLE_COLUMNS` and ``complete``, n rows.
    ended : bool array, shape (n,)
        The cycle was broken off where the log ended and its clock began again: nothing between is missing.
    clock : LogClock
    value : float64 array, shape (n,)
        The figure; NaN where it is missing.
    reversed_loop : bool array, shape (n,)
        The loop is the wrong way round, and the figure is of the loop's loss.
    held : bool array, shape (n,)
        A channel holds one value for a part of the cycle.
    """
    flags, complete = np.array(rows.column("flags"), np.int64), np.array(rows.column("complete"), bool)
    flags = np.where(ended, flags & ~int(CycleFlag.BROKEN_OFF), flags)
    period, samples = floats(rows.column("period_s")), floats(rows.column("samples"))
    step = period[complete] / np.maximum(samples[complete], 1.0)
    usual = max(1.0 / clock.rate, float(np.nanmedian(step)) if np.isfinite(step).any() else 0.0)
    loop = (flags & int(CycleFlag.PEAKS_ONLY)) == 0
    found = {name: (flags & int(bits)) != 0 for name, bits in BY_FLAG}
    found["thinned"] = loop & (np.nan_to_num(floats(rows.column("longest_step_s"))) > THINNED_FROM * usual)
    if clock.by_sample:  # rows that are missing make a cycle shorter than its neighbours
        found["thinned"] |= loop & _too_short(samples, complete)
    unknown = (flags & int(CycleFlag.SEVERAL_LOOPS | CycleFlag.PART_OF_LOOP)) != 0  # a ramp alone hides no loop
    found["missing"] = (complete | unknown) & ~np.isfinite(value)
    found["reversed"] = reversed_loop
    found["stuck"] = held
    found["incomplete"] = ~complete
    codes = np.full(len(flags), NONE, np.int8)
    for name in reversed(NAMES):  # the worst is written last
        if name in found:
            codes[found[name]] = NAMES.index(name)
    return codes


def _too_short(samples: Floats, complete: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Complete cycles with fewer samples than the ten about them, beyond what those scatter."""
    from scipy.ndimage import median_filter

    short = np.zeros(len(samples), bool)
    own = samples[complete]
    if own.size >= NEIGHBOURS:
        less = median_filter(own, NEIGHBOURS, mode="nearest") - own
        short[complete] = less > np.maximum(FEWER_SAMPLES, FAR * mad_sigma(less))
    return short


def too_much_lost(rows: pa.Table) -> NDArray[np.bool_]:
    """Cycles of which so many rows are lost that their figures are not measured."""
    lost = floats(rows.column("lost_rows"))
    return np.asarray(lost > MOST_LOST * (lost + floats(rows.column("samples"))))
