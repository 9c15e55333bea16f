"""Medians of values that come part by part: counts in bins of their leading bits.

A bin holds the values that agree in sign, exponent and ten bits behind the point: whole numbers below 2,048 have each
their own, of all others a bin is 0.1 % wide. It is named by its end towards zero. Where more than
:data:`MOST_BINS` are filled, bits are left out until there are not: how many depends on the values alone, not on how
they came.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.blocks.cyclic.running import Bins

KEPT_BITS = 10
DROPPED_BITS = 52 - KEPT_BITS  # of the 52 behind the point
MOST_BINS = 1024
NARROW = 1 << 20  # bins from the first to the last that are counted without sorting
Ints = NDArray[np.int64]


def with_values(bins: Bins, values: ArrayLike) -> Bins:
    """Count more values.

    Parameters
    ----------
    values : array_like, shape (n,)
        Those that are not finite are left out.
    """
    array = np.asarray(values, np.float64)
    array = array[np.isfinite(array)]
    if not array.size:
        return bins
    size = np.abs(array).view(np.int64) >> DROPPED_BITS
    keys, counts = _counted(np.where(array < 0.0, -size, size))
    known = np.array(bins.counts, np.int64)
    keys = np.concatenate((_keys(bins), _coarser(keys, bins.coarse)))
    keys, counts = _together(keys, np.concatenate((known, counts)))
    coarse = bins.coarse
    while keys.size > MOST_BINS:
        keys, counts = _together(_coarser(keys, 1), counts)
        coarse += 1
    return Bins(coarse, tuple(np.diff(keys, prepend=0).tolist()), tuple(counts.tolist()))


def total(bins: Bins) -> int:
    """How many values were counted."""
    return sum(bins.counts)


def lengths(bins: Bins) -> tuple[NDArray[np.float64], Ints]:
    """Rising values that name the bins, and how many lie in each; shapes (k,)."""
    return _value(_keys(bins), bins.coarse), np.array(bins.counts, np.int64)


def median(bins: Bins) -> float:
    """The middle value, or the mean of both middle ones, each as its bin is named; NaN of none."""
    return _middle(bins, 0, 0)


def median_between(bins: Bins) -> tuple[float, float]:
    """Bounds between which the median of the values themselves lies; NaN of none."""
    return _middle(bins, -1, 0), _middle(bins, 0, 1)


def _middle(bins: Bins, below: int, above: int) -> float:
    """Median of the ends of bins: of that at zero's side, or of the lower (-1, 0) or the upper one (0, 1)."""
    n = total(bins)
    if not n:
        return float("nan")
    ends = np.cumsum(np.array(bins.counts, np.int64))
    at = _keys(bins)[np.searchsorted(ends, [(n - 1) // 2, n // 2], side="right")]
    low, high = _value(at + np.where(at <= 0, below, 0) + np.where(at >= 0, above, 0), bins.coarse).tolist()
    return float(0.5 * (low + high))


def _keys(bins: Bins) -> Ints:
    return np.cumsum(np.array(bins.steps, np.int64))


def _value(keys: Ints, coarse: int) -> NDArray[np.float64]:
    size: NDArray[np.float64] = (np.abs(keys) << (DROPPED_BITS + coarse)).view(np.float64)
    return np.where(keys < 0, -size, size)


def _coarser(keys: Ints, bits: int) -> Ints:
    """The same bins with fewer bits, towards zero."""
    size = np.abs(keys) >> bits
    return np.where(keys < 0, -size, size)


def _counted(keys: Ints) -> tuple[Ints, Ints]:
    """Rising different keys, and how often each is there."""
    low = int(keys.min())
    if int(keys.max()) - low >= NARROW:
        return np.unique(keys, return_counts=True)
    counts = np.bincount(keys - low)
    at = np.flatnonzero(counts)
    return at + low, counts[at]


def _together(keys: Ints, counts: Ints) -> tuple[Ints, Ints]:
    """Rising different keys, and the sum of their counts."""
    found, where = np.unique(keys, return_inverse=True)
    sums = np.zeros(found.size, np.int64)
    np.add.at(sums, where, counts)
    return found, sums
