"""Averages of a hold over bins even in log time, as a fit of creep is given them in tests."""

from __future__ import annotations

from math import floor, log10, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.robust import BinsResult

Floats = NDArray[np.float64]


def log_edges(first: float, last: float, per_decade: int) -> Floats:
    """Edges 10^(k/per_decade) on a fixed grid, from at or below ``first`` to above ``last``."""
    low = floor(log10(first) * per_decade) - 1
    high = floor(log10(last) * per_decade) + 2
    edges = 10.0 ** (np.arange(low, high + 1) / per_decade)
    start = int(np.searchsorted(edges, first, side="right")) - 1
    return edges[start:]


def binned_means(x: ArrayLike, y: ArrayLike, edges: ArrayLike) -> BinsResult:
    """Mean of y in each bin of x (cycle number, time).

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Rows where either is not finite are left out.
    edges : array_like, shape (bins + 1,)
        Rising; bin i holds edges[i] <= x < edges[i + 1].

    Returns
    -------
    BinsResult
        NaN where a bin is empty (``spread`` also where it holds one row).
    """
    edges = np.asarray(edges, np.float64)
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    index = np.searchsorted(edges, x, side="right") - 1
    keep = np.isfinite(x) & np.isfinite(y) & (index >= 0) & (index < edges.size - 1)
    x, y, index = x[keep], y[keep], index[keep]
    bins = edges.size - 1
    count = np.bincount(index, minlength=bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        position = np.bincount(index, x, bins) / count
        value = np.bincount(index, y, bins) / count
        square = np.bincount(index, (y - value[index]) ** 2, bins)
        spread = np.sqrt(np.where(count > 1, square / (count - 1), nan))
    return BinsResult(position, value, spread, count, int(y.size))


def log_averages(t: ArrayLike, y: ArrayLike, per_decade: int = 25, *, start: float | None = None) -> BinsResult:
    """Average y over bins spaced evenly in log t; empty bins are dropped.

    A fit of these, weighted by ``count``, stays close to a fit of all rows at a fraction of the time.

    Parameters
    ----------
    t : array_like, shape (n,), s
        Time since load; rows with t <= 0 or before ``start`` are left out.
    y : array_like, shape (n,)
    per_decade : int
        Bins for each factor of ten.
    start : float, optional
        First time taken (5-10 ramp times, common practice).

    Returns
    -------
    BinsResult
        Without empty bins.
    """
    time, value = np.asarray(t, np.float64), np.asarray(y, np.float64)
    keep = np.isfinite(time) & np.isfinite(value) & (time > 0) & (time >= (start or 0.0))
    time, value = time[keep], value[keep]
    if not time.size:
        none = np.empty(0)
        return BinsResult(none, none, none, np.empty(0, np.int64), 0)
    bins = binned_means(time, value, log_edges(float(time.min()), float(time.max()), per_decade))
    full = bins.count > 0
    return BinsResult(bins.position[full], bins.value[full], bins.spread[full], bins.count[full], bins.n_used)
