"""Measure slow sweeps through the free range from their raw samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled
from benchpipe.kernels.filters import smooth

SWEEP_FIELDS: tuple[str, ...] = ("usable_low", "usable_high", "resistance_forward", "resistance_back")


@compiled
def measure_sweeps(
    load: NDArray[np.float64],
    motion: NDArray[np.float64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    inner_low: float,
    inner_high: float,
    usable_load: float,
    weights: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Measure sweeps that go up and come down again.

    Parameters
    ----------
    load, motion : float arrays, shape (n,)
    start, end : int64 arrays, shape (k,)
        Samples ``start … end - 1`` of each sweep.
    inner_low, inner_high : float
        Part of the motion in which resistance is taken, clear of the end stops.
    usable_load : float
        The range is usable where ``|load|`` stays at or below this.
    weights : float64 array, shape (h + 1,)
        One half of a symmetric low-pass for the resistance, centre first; shape (1,) for none. The motion is
        not smoothed: it would lose its turning points.

    Returns
    -------
    float64 array, shape (k, 4)
        Columns as in :data:`SWEEP_FIELDS`; NaN where no sample counts. Forward is from
        the smallest motion to the largest, back the rest.
    """
    out = np.full((start.size, 4), np.nan)
    for c in range(start.size):
        loads, motions = load[start[c] : end[c]].astype(np.float64), motion[start[c] : end[c]].astype(np.float64)
        edge = (weights.size - 1) // 2  # samples at the ends that the filter sees from one side only
        calm = smooth(loads, weights) if weights.size > 1 else loads
        top, bottom = np.argmax(motions), np.argmin(motions)
        for k in range(loads.size):
            size, at = abs(calm[k]), motions[k]
            if abs(loads[k]) <= usable_load:
                out[c, 0] = at if np.isnan(out[c, 0]) else min(out[c, 0], at)
                out[c, 1] = at if np.isnan(out[c, 1]) else max(out[c, 1], at)
            if inner_low <= at <= inner_high and edge <= k < loads.size - edge:
                rising = bottom <= k <= top if bottom <= top else (k >= bottom or k <= top)
                way = 2 if rising else 3
                out[c, way] = size if np.isnan(out[c, way]) else max(out[c, way], size)
    return out
