"""Robust and binned statistics.

Binned sums are the same to the last bit wherever they run: ``numpy.bincount`` adds float64 values one
after another in the order given, with no pairwise, threaded or vectorised regrouping. Bin edges of
`log_averages` lie on a fixed grid of powers of ten, so that a longer hold only adds bins.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, floor, log10, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.482602218505602
"""1/Φ⁻¹(3/4): makes the median absolute deviation of a normal sample estimate its σ."""


def median(values: ArrayLike) -> float:
    """Median of the finite values; NaN where there are none."""
    v = np.asarray(values, np.float64)
    v = v[np.isfinite(v)]
    return float(np.median(v)) if v.size else nan


def mad_sigma(values: ArrayLike) -> float:
    """Standard deviation estimated as 1.4826 × the median absolute deviation from the median."""
    return MAD_TO_SIGMA * median(np.abs(np.asarray(values, np.float64) - median(values)))


def lag1_autocorrelation(values: ArrayLike) -> float:
    """Lag-1 autocorrelation Σ(vᵢ − v̄)(vᵢ₊₁ − v̄)/Σ(vᵢ − v̄)² (NIST/SEMATECH e-Handbook §1.3.3.1).

    NaN for fewer than three values; 0 where they do not vary.
    """
    v = np.asarray(values, np.float64)
    if v.size < 3:
        return nan
    v = v - v.mean()
    total = float(v @ v)
    return float(v[:-1] @ v[1:]) / total if total > 0 else 0.0


def effective_size(n: int, rho: float) -> float:
    """Independent readings that n correlated ones are worth: n(1 − ρ)/(1 + ρ), at most n.

    A negative ρ gives n: alternating errors are not trusted to make a mean better.
    """
    return n * (1 - max(rho, 0.0)) / (1 + max(rho, 0.0))


@dataclass(frozen=True, eq=False)
class BinsResult:
    """Figures of each bin, arrays of shape (bins,).

    ``position`` is the mean of x; ``value`` the mean or median of y; ``spread`` the standard
    deviation of y in the bin (n − 1; for medians MAD sigma); ``count`` how many finite rows.
    """

    position: Floats
    value: Floats
    spread: Floats
    count: NDArray[np.int64]
    n_used: int


def _assign(x: Floats, y: Floats, edges: Floats) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Finite rows inside the edges with their bin; bin i holds edges[i] <= x < edges[i + 1]."""
    index = np.searchsorted(edges, x, side="right") - 1
    keep = np.isfinite(x) & np.isfinite(y) & (index >= 0) & (index < edges.size - 1)
    return x[keep], y[keep], index[keep]


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
    x, y, index = _assign(np.asarray(x, np.float64), np.asarray(y, np.float64), edges)
    bins = edges.size - 1
    count = np.bincount(index, minlength=bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        position = np.bincount(index, x, bins) / count
        value = np.bincount(index, y, bins) / count
        square = np.bincount(index, (y - value[index]) ** 2, bins)
        spread = np.sqrt(np.where(count > 1, square / (count - 1), nan))
    return BinsResult(position, value, spread, count, int(y.size))


def binned_medians(x: ArrayLike, y: ArrayLike, edges: ArrayLike) -> BinsResult:
    """Median of y in each bin of x, with MAD sigma as spread; else as `binned_means`."""
    edges = np.asarray(edges, np.float64)
    x, y, index = _assign(np.asarray(x, np.float64), np.asarray(y, np.float64), edges)
    bins = edges.size - 1
    count = np.bincount(index, minlength=bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        position = np.bincount(index, x, bins) / count
    value = _medians(y, index, count)
    spread = MAD_TO_SIGMA * _medians(np.abs(y - value[index]), index, count)
    return BinsResult(position, value, spread, count, int(y.size))


def _medians(y: Floats, index: NDArray[np.intp], count: NDArray[np.int64]) -> Floats:
    """Median of y for each bin index, by selection in each bin."""
    value = np.full(count.size, nan)
    if index.size and (np.diff(index) < 0).any():
        y = y[np.argsort(index, kind="stable")]
    first = np.cumsum(count) - count
    for k in np.flatnonzero(count):
        lower, upper = (count[k] - 1) // 2, count[k] // 2
        chosen = np.partition(y[first[k] : first[k] + count[k]], (lower, upper))
        value[k] = chosen[lower] / 2 + chosen[upper] / 2
    return value


def log_edges(first: float, last: float, per_decade: int) -> Floats:
    """Edges 10^(k/per_decade) on a fixed grid, from at or below ``first`` to above ``last``."""
    low = floor(log10(first) * per_decade) - 1
    high = floor(log10(last) * per_decade) + 2
    edges = 10.0 ** (np.arange(low, high + 1) / per_decade)
    start = int(np.searchsorted(edges, first, side="right")) - 1
    return edges[start:]


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


@dataclass(frozen=True)
class RunsResult:
    """Runs of equal sign: how many, how many were to be expected, and how odd that is.

    ``z`` is negative for too few runs (a fit that leaves a pattern). ``p_few`` is the one-sided
    probability of so few runs by chance, ``p_value`` the two-sided one.
    """

    n_runs: int
    n_above: int
    n_below: int
    expected: float
    z: float
    p_few: float
    p_value: float


def runs_test(residuals: ArrayLike) -> RunsResult:
    """Wald-Wolfowitz runs test about zero (NIST/SEMATECH e-Handbook §1.3.5.13), normal approximation.

    Zeros and non-finite values are left out. NaN where one sign is absent.
    """
    v = np.asarray(residuals, np.float64)
    above = v[np.isfinite(v) & (v != 0)] > 0
    n1, n2 = int(above.sum()), int((~above).sum())
    runs = int(np.count_nonzero(above[1:] != above[:-1])) + 1 if above.size else 0
    if n1 == 0 or n2 == 0:
        return RunsResult(runs, n1, n2, nan, nan, nan, nan)
    n = n1 + n2
    expected = 2 * n1 * n2 / n + 1
    variance = 2 * n1 * n2 * (2 * n1 * n2 - n) / (n**2 * (n - 1))
    z = (runs - expected) / sqrt(variance) if variance > 0 else 0.0
    return RunsResult(runs, n1, n2, expected, z, erfc(-z / sqrt(2)) / 2, erfc(abs(z) / sqrt(2)))
