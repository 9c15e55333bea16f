"""Sums over the samples of one loop, fast where the sampling is even."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import inlined_sums

Floats = NDArray[np.float64]


@inlined_sums
def step_ends(time_us: NDArray[np.int64]) -> tuple[int, int]:
    """Shortest and longest step."""
    shortest = longest = time_us[1] - time_us[0]
    for k in range(1, time_us.size):
        step = time_us[k] - time_us[k - 1]
        shortest, longest = min(shortest, step), max(longest, step)
    return shortest, longest


@inlined_sums
def value_ends(values: Floats) -> tuple[float, float]:
    """Smallest and largest value."""
    low = high = values[0]
    for k in range(values.size):
        low = values[k] if values[k] < low else low
        high = values[k] if values[k] > high else high
    return low, high


@inlined_sums
def first_of(values: Floats, wanted: float) -> int:
    """Place of the first value that equals ``wanted``, which is there."""
    place = values.size - 1
    for k in range(values.size):
        place = min(place, k if values[k] == wanted else values.size)
    return place


@inlined_sums
def twice_area(load: Floats, motion: Floats) -> float:
    """Twice the area between the path from the first to the last sample and the motion axis."""
    total = 0.0
    for k in range(1, load.size):
        total += (np.float64(load[k]) + np.float64(load[k - 1])) * (np.float64(motion[k]) - np.float64(motion[k - 1]))
    return total


@inlined_sums
def even_sums(load: Floats, motion: Floats) -> tuple[float, float, float]:
    """Sums of load, motion and squared load by the trapezium rule with a step of one."""
    loads, motions, squares = 0.0, 0.0, 0.0
    for k in range(load.size):
        value = np.float64(load[k])
        loads += value
        motions += np.float64(motion[k])
        squares += value * value
    first, last = np.float64(load[0]), np.float64(load[-1])
    motions -= 0.5 * (np.float64(motion[0]) + np.float64(motion[-1]))
    return loads - 0.5 * (first + last), motions, squares - 0.5 * (first * first + last * last)


@inlined_sums
def timed_sums(time_us: NDArray[np.int64], load: Floats, motion: Floats) -> tuple[float, float, float]:
    """The same sums over time [s], for any steps."""
    loads, motions, squares = 0.0, 0.0, 0.0
    for k in range(1, load.size):
        half = 0.5e-6 * (time_us[k] - time_us[k - 1])
        a, b = np.float64(load[k - 1]), np.float64(load[k])
        loads += half * (a + b)
        motions += half * (np.float64(motion[k - 1]) + np.float64(motion[k]))
        squares += half * (a * a + b * b)
    return loads, motions, squares


@inlined_sums
def plain_sum(values: Floats) -> float:
    """Sum; NaN if one of the values is."""
    total = 0.0
    for k in range(values.size):
        total += np.float64(values[k])
    return total


@inlined_sums
def mean_of_known(values: Floats) -> float:
    """Mean of the values that are not NaN; NaN where none is."""
    if values.size == 0:
        return np.nan
    total = plain_sum(values)
    if not np.isnan(total):
        return total / values.size
    total, used = 0.0, 0
    for k in range(values.size):
        if not np.isnan(values[k]):
            total += values[k]
            used += 1
    return total / used if used > 0 else np.nan


@inlined_sums
def band_sums(
    load: Floats, motion: Floats, low: float, high: float, l0: float, m0: float
) -> tuple[float, float, float, float, float]:
    """Count and sums of motion, load, motion², motion x load of the samples whose load is in a band."""
    count, ms, ls, mm, ml = 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(load.size):
        inside = 1.0 if low <= load[k] <= high else 0.0
        x, f = (np.float64(motion[k]) - m0) * inside, np.float64(load[k]) - l0
        count += inside
        ms += x
        ls += f * inside
        mm += x * x
        ml += x * f
    return count, ms, ls, mm, ml
