"""Average a long history of cycles into bins, and how far a window's statistic lies from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.robust import MAD_TO_SIGMA

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

MOST_BINS = 200
MOST_GAPS = 50
GAP_STEPS = 20.0
"""A step in time this many times the middle one, and a 400th of the history, is a gap: no bin crosses it."""
FAR = 5.0
"""Values further than this many robust standard deviations from their bin's median count as that far away."""


@dataclass(frozen=True)
class HistoryBins:
    """Bins of a history, k of them, in the order of time.

    ``first`` and ``last`` are cycle indices (both belong to the bin); ``start_s`` and ``end_s`` times of
    those cycles, half a cycle added on either side; ``count`` the cycles with a value; ``mean`` their mean,
    with far values drawn in; ``segment`` counts the gaps before the bin.
    """

    first: Indices
    last: Indices
    start_s: Floats
    end_s: Floats
    count: Floats
    mean: Floats
    segment: Indices

    @property
    def middle_s(self) -> Floats:
        """Middle time of each bin [s], shape (k,)."""
        return (self.start_s + self.end_s) / 2


def history_gaps(time_s: Floats) -> Indices:
    """Index of the cycle after each gap: the longest ``MOST_GAPS`` of those that count as one.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Times of the cycles [s], not falling.

    Returns
    -------
    int64 array, shape (g,)
        Rising; empty with fewer than three cycles.
    """
    if time_s.size < 3:
        return np.zeros(0, np.int64)
    steps = np.diff(time_s)
    middle = float(np.partition(steps, steps.size // 2)[steps.size // 2])
    least = max(GAP_STEPS * middle, (time_s[-1] - time_s[0]) / 400)
    after = np.flatnonzero(steps > least) + 1
    if after.size > MOST_GAPS:
        after = np.sort(after[np.argsort(-steps[after - 1], kind="stable")[:MOST_GAPS]])
    return np.asarray(after, np.int64)


def history_bins(time_s: Floats, value: ArrayLike, most: int = MOST_BINS) -> HistoryBins:
    """Average a history into at most ``most`` bins of about as many cycles each, cut at gaps in time.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Increasing times of the cycles [s].
    value : array_like, shape (n,)
        A figure of each cycle; NaN is missing.
    most : int
        Above twice the number of gaps.

    Returns
    -------
    HistoryBins
        Bins without any value are left out.
    """
    y = np.asarray(value)
    gaps = history_gaps(time_s)
    edges = np.concatenate([[0], gaps, [y.size]])
    lengths = np.diff(edges)
    size = max(1, int(np.ceil(y.size / max(most - gaps.size, 1))))
    cuts: list[int] = []
    segments: list[int] = []
    for k, (begin, n) in enumerate(zip(edges[:-1].tolist(), lengths.tolist(), strict=True)):
        parts = max(1, n // size)
        cuts += [begin + n * i // parts for i in range(parts)]
        segments += [k] * parts
    first = np.array(cuts, np.int64)
    last = np.append(first[1:], y.size) - 1
    steps = np.diff(time_s)
    half = float(np.partition(steps, steps.size // 2)[steps.size // 2]) / 2 if steps.size else 0.5
    mean, count = np.empty(first.size), np.empty(first.size)
    for k, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        mean[k], count[k] = _drawn_in_mean(y[a : b + 1])
    keep = count > 0
    return HistoryBins(
        first[keep],
        last[keep],
        time_s[first][keep] - half,
        time_s[last][keep] + half,
        count[keep],
        mean[keep],
        np.array(segments, np.int64)[keep],
    )


def _drawn_in_mean(values: NDArray[np.floating]) -> tuple[float, int]:
    """Mean with values beyond ``FAR`` robust standard deviations drawn in to there, and how many are finite."""
    v = values.astype(np.float64)
    good = np.isfinite(v)
    if not good.all():
        v = v[good]
    n = v.size
    if n < 5:
        return (float(v.mean()) if n else 0.0), n
    middle = np.partition(v, n // 2)[n // 2]
    spread = MAD_TO_SIGMA * np.partition(np.abs(v - middle), n // 2)[n // 2]
    if spread > 0:
        v = np.clip(v, middle - FAR * spread, middle + FAR * spread)
    return float(v.mean()), n


def window_weights(bins: HistoryBins, finite: Indices, first: Indices, last: Indices) -> Floats:
    """Share of each window's values that lies in each bin.

    Parameters
    ----------
    bins : HistoryBins
        k of them.
    finite : int64 array, shape (n + 1,)
        How many cycles before each index have a value.
    first, last : int64 arrays, shape (j,)
        First and last cycle of each window; both belong to it.

    Returns
    -------
    float64 array, shape (j, k)
        Rows add up to 1; all 0 where a window has no value.
    """
    a = np.maximum(bins.first[None, :], first[:, None])
    b = np.maximum(np.minimum(bins.last[None, :], last[:, None]) + 1, a)
    inside = (finite[np.minimum(b, finite.size - 1)] - finite[np.minimum(a, finite.size - 1)]).astype(np.float64)
    total = inside.sum(axis=1, keepdims=True)
    return np.asarray(inside / np.maximum(total, 1.0))


def like_windows(bins: HistoryBins, first: int, last: int, most_bins: int = 5) -> tuple[Indices, int]:
    """Windows elsewhere in the history that lie to the bins' edges as the given one does.

    Parameters
    ----------
    bins : HistoryBins
    first, last : int
        First and last cycle of the given window; both belong to it.
    most_bins : int
        Longest window, in bins of the usual size.

    Returns
    -------
    last : ndarray, shape (j,)
        Last index of each; they do not overlap and cross no gap.
    length : int
        Their length: that of the given one, or ``most_bins`` bins where that is shorter.
    """
    size = int(np.median(bins.last - bins.first + 1))
    length = min(last - first + 1, most_bins * size)
    home = int(np.clip(np.searchsorted(bins.first, last, side="right") - 1, 0, bins.first.size - 1))
    ends = bins.last - (bins.last[home] - last)
    begin = ends - length + 1
    stride = max(1, int(np.ceil(length / size)))
    place = np.clip(np.searchsorted(bins.first, begin, side="right") - 1, 0, bins.first.size - 1)
    sound = (begin >= bins.first[0]) & (bins.segment[place] == bins.segment) & (ends <= bins.last[-1])
    chosen = np.flatnonzero(sound)
    chosen = chosen[(chosen - home) % stride == 0]
    return np.asarray(ends[chosen], np.int64), length
