"""How far two clocks are apart, from one quantity that both loggers show.

The lag at which the second's values, interpolated at the first's times, have the largest correlation with the
first's. A quantity that comes again (a cycle) correlates as well one period later: where two lags are about as
good, or the best is at the end of those searched, the offset is not sure. Elementary signal processing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAST_SAMPLES = 50
LEAST_CORRELATION = 0.9
AS_GOOD = 0.05  # another lag whose correlation is nearer than that to the best is as good
MOST_LAGS = 20_001
COARSE_SAMPLES, FINE_SAMPLES = 2_048, 8_192
WIDEST_STEP = 3.0  # of the second's usual step: between two of its samples farther apart nothing is interpolated

Floats = NDArray[np.float64]


def find_offset(
    first_us: NDArray[np.int64],
    first: NDArray[Any],
    second_us: NDArray[np.int64],
    second: NDArray[Any],
    around_us: float,
    search_us: float,
    *,
    followed: bool = False,
) -> tuple[float, float, bool]:
    """Find by how much more the second clock shows than the first.

    Parameters
    ----------
    first_us, second_us : int64 arrays, shapes (n,) and (m,)
        Times by each logger's own clock, rising.
    first, second : float arrays, shapes (n,) and (m,)
        The same quantity as each saw it; NaN where missing.
    around_us, search_us : float
        Offsets from ``around_us - search_us`` to ``around_us + search_us`` are looked at.
    followed : bool
        Which of the maxima it is is known from before: the nearest counts, and need not stand out.

    Returns
    -------
    offset_us : float
        NaN where there are too few samples.
    correlation : float
        Of the two at that offset; 0 where there are too few samples.
    sure : bool
        One offset only is that good, and good enough.
    """
    good, there = np.isfinite(first), np.isfinite(second)
    if good.sum() < LEAST_SAMPLES or there.sum() < LEAST_SAMPLES:
        return float("nan"), 0.0, False
    origin = int(first_us[0])
    at, values = (first_us[good] - origin).astype(np.float64), first[good].astype(np.float64)
    of, other = (second_us[there] - origin).astype(np.float64), second[there].astype(np.float64)
    inside = _bracketed(at, of, around_us, search_us)
    at, values = at[inside], values[inside]
    if at.size < LEAST_SAMPLES or np.ptp(values) == 0.0:
        return float("nan"), 0.0, False
    step = max(float(np.median(np.diff(at))) / 2.0, 2.0 * search_us / (MOST_LAGS - 1))
    count = int(np.ceil(search_us / step))
    lags = around_us + np.arange(-count, count + 1) * step
    thin = slice(None, None, -(-at.size // COARSE_SAMPLES))
    curve = np.array([_correlation(at[thin], values[thin], of, other, lag) for lag in lags])
    best = int(np.argmax(curve))
    thin = slice(None, None, -(-at.size // FINE_SAMPLES))
    offset, value = _finest(at[thin], values[thin], of, other, float(lags[best]), step)
    near = curve > curve[best] - AS_GOOD
    left, right = best, best
    while left > 0 and near[left - 1]:
        left -= 1
    while right < curve.size - 1 and near[right + 1]:
        right += 1
    alone = left > 0 and right < curve.size - 1 and not near[:left].any() and not near[right + 1 :].any()
    within = 0 < best < curve.size - 1
    return offset, value, bool((within if followed else alone) and value >= LEAST_CORRELATION)


def _bracketed(at: Floats, of: Floats, around: float, search: float) -> NDArray[np.bool_]:
    """Which times lie between neighbouring samples of the second, whatever lag is tried."""
    inside: NDArray[np.bool_] = (at + around - search >= of[0]) & (at + around + search <= of[-1])
    steps = np.diff(of)
    wide = np.flatnonzero(steps > WIDEST_STEP * np.median(steps))
    for k in wide.tolist():
        inside &= (at + around + search < of[k]) | (at + around - search > of[k + 1])
    return inside


def _correlation(at: Floats, values: Floats, of: Floats, other: Floats, lag: float) -> float:
    shown = np.interp(at + lag, of, other)
    a, b = values - values.mean(), shown - shown.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0.0 else 0.0


def _finest(at: Floats, values: Floats, of: Floats, other: Floats, lag: float, step: float) -> tuple[float, float]:
    """Golden-section search of the largest correlation within two steps of a lag."""
    shrink = (np.sqrt(5.0) - 1.0) / 2.0
    low, high = lag - 2.0 * step, lag + 2.0 * step
    while high - low > 1.0:  # µs
        a, b = high - shrink * (high - low), low + shrink * (high - low)
        if _correlation(at, values, of, other, a) >= _correlation(at, values, of, other, b):
            high = b
        else:
            low = a
    middle = (low + high) / 2.0
    return middle, _correlation(at, values, of, other, middle)
