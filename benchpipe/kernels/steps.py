"""Separate sudden steps in a series from its noise: a specimen that came loose is no noise.

A contrast is the median of some values after a place less that of as many before it. Wear gives all contrasts nearly
the same size, slow noise a normal spread; a step one contrast far beyond all others. With the spread taken robustly
(1.4826 times the median absolute deviation), the largest of some thousand contrasts of stationary noise lies 3 to 4.5
spreads out; a step counts from :data:`FAR` spreads on. Only clear steps are found: smaller steps stay in the noise,
which is safe, since they make it wider.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.robust import mad_sigma

Floats = NDArray[np.float64]
FAR = 8.0
REACHES = (6, 20)  # values on either side that a contrast is made of
MOST_VALUES = 4000  # longer series are looked at as medians of neighbours
MOST_STEPS = 10


def find_steps(values: ArrayLike) -> NDArray[np.int64]:
    """Places of sudden steps.

    Parameters
    ----------
    values : array_like, shape (n,)
        Finite values in order.

    Returns
    -------
    int64 array, shape (k,), rising
        First value after each step.
    """
    v = np.asarray(values, np.float64)
    width = max(1, -(-v.size // MOST_VALUES))
    count = v.size // width
    series = np.median(v[: count * width].reshape(count, width), axis=1) if width > 1 else v
    places: list[int] = []
    for reach in REACHES:
        for place in _far_contrasts(series, reach):
            if all(abs(place - other) > max(REACHES) for other in places) and len(places) < MOST_STEPS:
                places.append(place)
    found = sorted(_refined(v, place * width, reach=max(REACHES[0], 2 * width)) for place in places)
    return np.array(found, np.int64)


def without_steps(values: ArrayLike, places: ArrayLike) -> Floats:
    """The values with steps at some places taken off all that follow.

    Parameters
    ----------
    values : array_like, shape (n,)
        Finite values in order, in any unit.
    places : array_like of int, shape (k,)
        First value after each step, above 0 and below n; see :func:`find_steps`.

    Returns
    -------
    float64 array, shape (n,)
        In the unit of the values; the part before the first step is as it was.

    Notes
    -----
    Plain arithmetic: medians of neighbours on both sides of each place, the places in the given order.
    """
    v = np.array(values, np.float64)
    for place in np.asarray(places, np.int64).tolist():
        reach = max(1, min(REACHES[1], place, v.size - place))
        v[place:] -= np.median(v[place : place + reach]) - np.median(v[place - reach : place])
    return v


def _far_contrasts(series: Floats, reach: int) -> list[int]:
    """Places whose contrast lies far beyond the others, the farthest first."""
    if series.size < 6 * reach:
        return []
    medians = np.median(np.lib.stride_tricks.sliding_window_view(series, reach), axis=1)
    contrast = medians[reach:] - medians[:-reach]
    spread = mad_sigma(contrast)
    size = np.abs(contrast - np.median(contrast))
    if not spread > 0.0:
        spread = 1e-9 * float(np.max(np.abs(series)) or 1.0)
    found: list[int] = []
    while (at := int(np.argmax(size))) >= 0 and size[at] > FAR * spread:
        found.append(at + reach)
        size[max(at - 2 * reach, 0) : at + 2 * reach + 1] = 0.0
    return found


def _refined(v: Floats, place: int, reach: int) -> int:
    """The place near by where the means on either side differ most."""
    first, last = max(place - reach, 1), min(place + reach, v.size - 1)
    around = v[max(first - reach, 0) : last + reach]
    offset = max(first - reach, 0)
    sums = np.concatenate(([0.0], np.cumsum(around)))
    at = np.arange(first, last + 1) - offset
    left, right = sums[at] / at, (sums[-1] - sums[at]) / np.maximum(around.size - at, 1)
    weight = np.sqrt(at * np.maximum(around.size - at, 0) / around.size)
    return int(first + np.argmax(np.abs(right - left) * weight))
