"""Bins of time of per-cycle figures: robust mean, median, scatter from cycle to cycle.

Bins lie on a fixed grid of the log's own time, so that neither files nor nights move them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.history_bins import drawn_in_mean
from benchpipe.kernels.robust import MAD_TO_SIGMA

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Readings = NDArray[np.floating]

FEWEST_SCATTER = 10
"""Values below which a bin has no scatter: a median of fewer differences is off by more than a third."""


@dataclass(frozen=True, eq=False)
class TimeBins:
    """Cycles in k bins of time: ``index`` (time // width), first and last row of each (both belong to it)."""

    index: Indices
    first: Indices
    last: Indices


@dataclass(frozen=True, eq=False)
class BinFigures:
    """Figures of one measure in k bins: finite values, their mean, median and scatter; NaN where there are too few."""

    count: Indices
    mean: Floats
    median: Floats
    scatter: Floats


def time_bins(start_us: Indices, width_us: int) -> TimeBins:
    """Bins of cycles whose starts do not fall; empty bins are left out.

    Parameters
    ----------
    start_us : ndarray of int64, shape (n,)
    width_us : int
    """
    index = start_us // width_us
    first = np.flatnonzero(np.diff(index, prepend=index[0] - 1)) if index.size else np.zeros(0, np.int64)
    return TimeBins(index[first], first, np.append(first[1:], index.size)[: first.size] - 1)


def bin_figures(bins: TimeBins, value: Readings) -> BinFigures:
    """Figures of one measure, shape (n,), NaN where it is missing.

    The mean has far values drawn in (`history_bins`). The scatter is 1.4826 MAD(v[i + 1] − v[i])/√2, the robust
    standard deviation from cycle to cycle: wear and warmth within the bin are not in it.
    """
    k = bins.index.size
    count, figures = np.zeros(k, np.int64), np.full((3, k), np.nan)
    for i, (a, b) in enumerate(zip(bins.first.tolist(), bins.last.tolist(), strict=True)):
        v = value[a : b + 1].astype(np.float64)
        good = np.isfinite(v)
        if not good.all():
            v = v[good]
        count[i] = v.size
        if not v.size:
            continue
        figures[0, i] = drawn_in_mean(v)[0]
        figures[1, i] = np.median(v)
        if v.size >= FEWEST_SCATTER:
            steps = np.diff(v)
            figures[2, i] = MAD_TO_SIGMA * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2)
    return BinFigures(count, *figures)
