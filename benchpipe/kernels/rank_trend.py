"""Trend by ranks: Mann-Kendall's test and the slope of Theil and Sen.

Both want independent values. Thin correlated ones first, to one each two correlation times.

References
----------
H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods (variance with ties); P. K. Sen,
J. Am. Statist. Assoc. 63 (1968) 1379 (slope and its interval). Written from memory; verified against a library.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MOST_VALUES = 2000
"""The slopes of all pairs grow with the square: 2,000 values take 16 MB, 10,000 took 2.5 GB."""


@dataclass(frozen=True)
class RankTrendResult:
    """Mann-Kendall's S, its normal score and two-sided p, and Sen's slope with its interval at ``coverage``.

    NaN where there are fewer than four values.
    """

    s: float
    z: float
    p: float
    slope: float
    low: float
    high: float
    coverage: float
    n_used: int


def rank_trend(x: ArrayLike, y: ArrayLike, coverage: float = 0.95) -> RankTrendResult:
    """Test a series for a trend and give its median slope.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        x increasing; rows with a value that is not finite are left out; at most 2,000 are left.
    coverage : float
        Of the slope's interval, between 0 and 1.

    Returns
    -------
    RankTrendResult
        Slope in the unit of y over that of x; all figures NaN with fewer than four rows.

    Raises
    ------
    ValueError
        More than 2,000 values.
    """
    from scipy.special import ndtri

    a, b = np.asarray(x, np.float64), np.asarray(y, np.float64)
    good = np.isfinite(a) & np.isfinite(b)
    a, b = a[good], b[good]
    n = a.size
    if n > MOST_VALUES:
        raise ValueError(f"{n} values, at most {MOST_VALUES}: take medians of neighbours first")
    if n < 4:
        return RankTrendResult(nan, nan, nan, nan, nan, nan, coverage, n)
    low, high = np.triu_indices(n, 1)
    rise, run = b[high] - b[low], a[high] - a[low]
    s = float(np.sign(rise).sum())
    ties = np.unique(b, return_counts=True)[1].astype(np.float64)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    z = (s - np.sign(s)) / sqrt(variance) if variance > 0 else 0.0
    slopes = np.sort((rise / run)[run > 0])
    half = float(ndtri(0.5 + coverage / 2)) * sqrt(max(variance, 0.0))
    first = int(np.clip(np.floor((slopes.size - half) / 2), 0, slopes.size - 1))
    last = int(np.clip(np.ceil((slopes.size + half) / 2), 0, slopes.size - 1))
    return RankTrendResult(
        s, float(z), erfc(abs(float(z)) / sqrt(2)), float(np.median(slopes)), float(slopes[first]),
        float(slopes[last]), coverage, n,
    )  # fmt: skip
