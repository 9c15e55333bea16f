"""Robust and binned statistics.

Binned sums are the same to the last bit wherever they run: ``numpy.bincount`` adds float64 values one
after another in the order given, with no pairwise, threaded or vectorised regrouping.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.482602218505602
"""1/Φ⁻¹(3/4): makes the median absolute deviation of a normal sample estimate its σ."""


def median(values: ArrayLike) -> float:
    """Median of the finite values; NaN where there are none.

    Parameters
    ----------
    values : array_like, any shape
        In any unit; values that are not finite are left out.

    Returns
    -------
    float
        In the unit of the values; NaN where none is finite.
    """
    v = np.asarray(values, np.float64)
    v = v[np.isfinite(v)]
    return float(np.median(v)) if v.size else nan


def mad_sigma(values: ArrayLike) -> float:
    """Standard deviation estimated as 1.4826 × the median absolute deviation from the median.

    Parameters
    ----------
    values : array_like, any shape
        In any unit; values that are not finite are left out.

    Returns
    -------
    float
        In the unit of the values; NaN where none is finite, 0 where more than half are equal.

    Notes
    -----
    1.4826 = 1/Φ⁻¹(3/4), the ratio for normal values.
    """
    return MAD_TO_SIGMA * median(np.abs(np.asarray(values, np.float64) - median(values)))


def lag1_autocorrelation(values: ArrayLike) -> float:
    """Lag-1 autocorrelation Σ(vᵢ − v̄)(vᵢ₊₁ − v̄)/Σ(vᵢ − v̄)² (NIST/SEMATECH e-Handbook §1.3.3.1).

    Parameters
    ----------
    values : array_like, shape (n,)
        Evenly spaced readings in order, all finite.

    Returns
    -------
    float
        Without unit, from -1 to 1; NaN for fewer than three values, 0 where they do not vary.
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

    Parameters
    ----------
    n : int
        Readings.
    rho : float
        Their lag-1 autocorrelation, below 1.

    Returns
    -------
    float
        From 0 to ``n``; NaN where ρ is NaN.

    Notes
    -----
    The formula is that of first-order autocorrelated noise, common practice; from memory, not looked up.
    """
    return n * (1 - max(rho, 0.0)) / (1 + max(rho, 0.0))


@dataclass(frozen=True, eq=False)
class BinsResult:
    """Figures of each bin, arrays of shape (bins,).

    ``position`` is the mean of x; ``value`` the median of y; ``spread`` its MAD sigma in the bin; ``count`` how many
    finite rows.
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


def binned_medians(x: ArrayLike, y: ArrayLike, edges: ArrayLike) -> BinsResult:
    """Median of y in each bin of x (cycle number, time), with MAD sigma as spread.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Rows where either is not finite are left out.
    edges : array_like, shape (bins + 1,)
        Rising; bin i holds edges[i] <= x < edges[i + 1].

    Returns
    -------
    BinsResult
        In the units of x and y; NaN where a bin is empty.
    """
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


@dataclass(frozen=True)
class RunsResult:
    """Runs of equal sign: how many, how many were to be expected, and how odd that is.

    ``z`` is negative for too few runs (a fit that leaves a pattern). ``p_few`` is the one-sided
    probability of so few runs by chance, ``p_value`` the two-sided one.
    """

    n_runs: int
    expected: float
    z: float
    p_few: float
    p_value: float


def runs_test(residuals: ArrayLike) -> RunsResult:
    """Wald-Wolfowitz runs test about zero (NIST/SEMATECH e-Handbook §1.3.5.13), normal approximation.

    Zeros and non-finite values are left out. NaN where one sign is absent.

    Parameters
    ----------
    residuals : array_like, shape (n,)
        In the order of the fit, in any unit.

    Returns
    -------
    RunsResult
        NaN where one sign is absent; the number of runs is always given.
    """
    v = np.asarray(residuals, np.float64)
    above = v[np.isfinite(v) & (v != 0)] > 0
    n1, n2 = int(above.sum()), int((~above).sum())
    runs = int(np.count_nonzero(above[1:] != above[:-1])) + 1 if above.size else 0
    if n1 == 0 or n2 == 0:
        return RunsResult(runs, nan, nan, nan, nan)
    n = n1 + n2
    expected = 2 * n1 * n2 / n + 1
    variance = 2 * n1 * n2 * (2 * n1 * n2 - n) / (n**2 * (n - 1))
    z = (runs - expected) / sqrt(variance) if variance > 0 else 0.0
    return RunsResult(runs, expected, z, erfc(-z / sqrt(2)) / 2, erfc(abs(z) / sqrt(2)))
