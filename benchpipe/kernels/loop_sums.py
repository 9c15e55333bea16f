"""Sums over the samples ``first … last - 1`` of one loop, fast where the sampling is even.

Loops run over unsigned indices in whole arrays: a slice would cost two counted references, a signed
index a test for a negative one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import deferred, inlined_sums

larger, smaller = deferred("benchpipe.kernels.intrinsics", "larger", "smaller")

Floats = NDArray[np.float64]
PLACE = np.uint64
NEXT = np.uint64(1)
LONGEST_STEP = np.int64(2**31 - 1)  # µs; a cycle with a longer one has a gap, and no means


class LoopSums(NamedTuple):
    """Integrals over time from the first to the last sample, in load, motion and seconds.

    ``load, motion, square`` are those of load, motion and squared load; the others are of load or motion
    times cosine or sine of the phase since the first sample, and of these alone. ``area`` is twice the
    area between the path and the motion axis.
    """

    area: float
    load: float
    motion: float
    square: float
    load_cos: float
    load_sin: float
    motion_cos: float
    motion_sin: float
    cos: float
    sin: float


@inlined_sums
def step_ends(time_us: NDArray[np.int64], first: int, last: int) -> tuple[int, int]:
    """Shortest and longest step between the samples; 0 of a lone one.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Times of the samples [µs], rising.
    first, last : int
        The loop's samples are ``first … last - 1``.

    Returns
    -------
    shortest, longest : int
        [µs]
    """
    if last - first < 2:
        return 0, 0
    shortest = longest = time_us[first + 1] - time_us[first]
    for k in range(PLACE(first), PLACE(last - 1)):
        step = time_us[k + NEXT] - time_us[k]
        shortest, longest = min(shortest, step), max(longest, step)
    return shortest, longest


@inlined_sums
def value_ends(values: Floats, first: int, last: int) -> tuple[float, float, int]:
    """Smallest and largest value, and how many samples equal the one before.

    Parameters
    ----------
    values : float array, shape (n,)
        In any unit.
    first, last : int
        The loop's samples are ``first … last - 1``, one at least.

    Returns
    -------
    low, high : float
        In the unit of the values.
    repeats : int
    """
    low = high = values[last - 1]
    repeats = np.int32(0)
    for k in range(PLACE(first), PLACE(last - 1)):
        low, high = smaller(low, values[k]), larger(high, values[k])
        repeats += np.int32(values[k] == values[k + NEXT])
    return low, high, int(repeats)


@inlined_sums
def places_of(values: Floats, first: int, last: int, low: float, high: float) -> tuple[int, int]:
    """Places of the first values that equal ``low`` and ``high``, which are there.

    Parameters
    ----------
    values : float array, shape (n,)
    first, last : int
        The loop's samples are ``first … last - 1``.
    low, high : float
        Values of :func:`value_ends`.

    Returns
    -------
    bottom, top : int
        Indices into ``values``.
    """
    size = np.int32(last - first)  # 32 bits: eight places at once
    bottom = top = np.int32(size - 1)
    for k in range(PLACE(last - first)):
        value, here = values[PLACE(first) + k], np.int32(k)
        bottom = min(bottom, here if value == low else size)
        top = min(top, here if value == high else size)
    return first + int(bottom), first + int(top)


@inlined_sums
def even_sums(
    load: Floats, motion: Floats, first: int, last: int, cosines: Floats, sines: Floats, step: float
) -> LoopSums:
    """All sums by the trapezium rule with equal steps [s] and known phasors: the inner samples whole, the ends half.

    The sums of the phasors alone are closed: those of a geometric series.

    Parameters
    ----------
    load, motion : float arrays, shape (n,)
        N·m or N, and deg or mm.
    first, last : int
        The loop's samples are ``first … last - 1``, two at least.
    cosines, sines : float64 arrays, shape (last - first or more,)
        Of the phase since the first sample, see :func:`turn_phasors`.
    step : float
        From one sample to the next [s].

    Returns
    -------
    LoopSums
        Integrals in the units of load and motion and s.
    """
    area, loads, motions, squares = 0.0, 0.0, 0.0, 0.0
    lc, ls, mc, ms = 0.0, 0.0, 0.0, 0.0
    steps = last - first - 1
    for j in range(NEXT, PLACE(steps)):
        at = PLACE(first) + j
        f, x = np.float64(load[at]), np.float64(motion[at])
        area += f * np.float64(motion[at + NEXT] - motion[at - NEXT])
        loads += f
        motions += x
        squares += f * f
        lc += f * cosines[j]
        ls += f * sines[j]
        mc += x * cosines[j]
        ms += x * sines[j]
    f, x, c, s = np.float64(load[first]), np.float64(motion[first]), cosines[0], sines[0]
    g, y, d, t = np.float64(load[last - 1]), np.float64(motion[last - 1]), cosines[steps], sines[steps]
    area += f * (np.float64(motion[first + 1]) - x) + g * (y - np.float64(motion[last - 2]))
    half_cotangent = 0.5 * (1.0 + cosines[1]) / sines[1]  # of half the angle of a step
    return LoopSums(
        area,
        step * (loads + 0.5 * (f + g)), step * (motions + 0.5 * (x + y)), step * (squares + 0.5 * (f * f + g * g)),
        step * (lc + 0.5 * (f * c + g * d)), step * (ls + 0.5 * (f * s + g * t)),
        step * (mc + 0.5 * (x * c + y * d)), step * (ms + 0.5 * (x * s + y * t)),
        step * half_cotangent * t, step * half_cotangent * (1.0 - d),
    )  # fmt: skip


@inlined_sums
def timed_sums(
    time_us: NDArray[np.int64], load: Floats, motion: Floats, first: int, last: int, turn: float
) -> LoopSums:
    """The same sums for any steps; the phase turns by ``turn`` [rad/s].

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Times of the samples [µs], rising.
    load, motion : float arrays, shape (n,)
        N·m or N, and deg or mm.
    first, last : int
        The loop's samples are ``first … last - 1``, one at least.
    turn : float
        2π times the frequency [rad/s].

    Returns
    -------
    LoopSums
        As of :func:`even_sums`.
    """
    area, loads, motions, squares, cosine, sine = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    lc, ls, mc, ms = 0.0, 0.0, 0.0, 0.0
    f, x, c, s = np.float64(load[first]), np.float64(motion[first]), 1.0, 0.0
    for k in range(first + 1, last):
        half = 0.5e-6 * (time_us[k] - time_us[k - 1])
        phase = turn * ((time_us[k] - time_us[first]) * 1e-6)
        g, y, d, t = np.float64(load[k]), np.float64(motion[k]), np.cos(phase), np.sin(phase)
        area += (g + f) * (y - x)
        loads += half * (f + g)
        motions += half * (x + y)
        squares += half * (f * f + g * g)
        lc += half * (f * c + g * d)
        ls += half * (f * s + g * t)
        mc += half * (x * c + y * d)
        ms += half * (x * s + y * t)
        cosine += half * (c + d)
        sine += half * (s + t)
        f, x, c, s = g, y, d, t
    return LoopSums(area, loads, motions, squares, lc, ls, mc, ms, cosine, sine)


@inlined_sums
def timed_mean(
    time_us: NDArray[np.int64], values: Floats, places: tuple[int, int, int, int], parts: tuple[float, float]
) -> float:
    """Mean over time from boundary to boundary, by the trapezium rule with interpolated ends, for any steps.

    ``places`` are the samples before the first, the first, the last and after the last; ``parts`` where the boundaries
    lie in their steps.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Times of the samples [µs], rising.
    values : float array, shape (n,)
        In any unit; one NaN between the boundaries gives NaN.
    places : tuple of four int
        Before the first, first, last, after the last.
    parts : tuple of two float
        From 0 to 1, of the step to the first sample and of that after the last.

    Returns
    -------
    float
        In the unit of the values; that of the first sample where the cycle has no length.
    """
    before, first, last, after = places
    v0, v1 = np.float64(values[first]), np.float64(values[last])
    start = np.float64(values[before]) + parts[0] * (v0 - np.float64(values[before]))
    end = v1 + parts[1] * (np.float64(values[after]) - v1)
    lead = (1.0 - parts[0]) * np.float64(time_us[first] - time_us[before])
    trail = parts[1] * np.float64(time_us[after] - time_us[last])
    total = lead * (start + v0) + trail * (v1 + end)
    for k in range(PLACE(first), PLACE(last)):
        step = np.float64(np.int32(min(time_us[k + NEXT] - time_us[k], LONGEST_STEP)))  # 32 bits: vectors convert them
        total += step * (np.float64(values[k]) + np.float64(values[k + NEXT]))
    span = lead + trail + np.float64(time_us[last] - time_us[first])
    return 0.5 * total / span if span > 0.0 else v0


@inlined_sums
def turn_phasors(cosines: Floats, sines: Floats, size: int, angle: float) -> None:
    """Cosines and sines of 0, ``angle``, 2 ``angle``, …: what is there is turned on, twice as much each time.

    ``angle`` is below a quarter turn.

    Parameters
    ----------
    cosines, sines : float64 arrays, shape (size or more,)
        Written into.
    size : int
        How many, one at least.
    angle : float
        [rad]

    Returns
    -------
    None
    """
    cosines[0], sines[0] = 1.0, 0.0
    turn_s = np.sin(angle)
    turn_c = np.sqrt(1.0 - turn_s * turn_s)
    done = 1
    while done < size:
        count = min(done, size - done)
        for k in range(PLACE(count)):
            c, s = cosines[k], sines[k]
            cosines[PLACE(done) + k] = c * turn_c - s * turn_s
            sines[PLACE(done) + k] = c * turn_s + s * turn_c
        turn_c, turn_s = turn_c * turn_c - turn_s * turn_s, 2.0 * turn_c * turn_s
        done += count


@inlined_sums
def mean_of_known(values: Floats, first: int, last: int) -> float:
    """Mean of the values that are not NaN; NaN where none is.

    Parameters
    ----------
    values : float array, shape (n,)
        In any unit, NaN where not known.
    first, last : int
        The loop's samples are ``first … last - 1``, one at least.

    Returns
    -------
    float
        In the unit of the values.
    """
    total = 0.0
    for k in range(PLACE(first), PLACE(last)):
        total += np.float64(values[k])
    if not np.isnan(total):
        return total / (last - first)
    total, used = 0.0, 0
    for k in range(first, last):
        if not np.isnan(values[k]):
            total += values[k]
            used += 1
    return total / used if used > 0 else np.nan


@inlined_sums
def timed_mean_of_known(
    time_us: NDArray[np.int64], values: Floats, places: tuple[int, int, int, int], parts: tuple[float, float]
) -> float:
    """Mean over time, from boundary to boundary, of a path through the values that are not NaN; NaN where none is.

    ``places`` and ``parts`` as in :func:`timed_mean`. Up to the first value known, and from the last, it is constant.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Times of the samples [µs], rising.
    values : float array, shape (n,)
        In any unit, NaN where not known.
    places : tuple of four int
    parts : tuple of two float

    Returns
    -------
    float
        In the unit of the values.
    """
    before, first, last, after = places
    total, at, value, used = 0.0, 0.0, np.nan, 0
    end = np.float64(time_us[last] - time_us[first]) + parts[1] * np.float64(time_us[after] - time_us[last])
    begin = -(1.0 - parts[0]) * np.float64(time_us[first] - time_us[before])
    for k in range(before, after + 1):
        v = np.float64(values[k])
        now = np.float64(time_us[k] - time_us[first])
        if k == before and before < first:
            v, now = v + parts[0] * (np.float64(values[first]) - v), begin
        if k == after and after > last:
            v = np.float64(values[last]) + parts[1] * (v - np.float64(values[last]))
            now = end
        if np.isnan(v):
            continue
        total += v * (now - begin) if used == 0 else 0.5 * (now - at) * (value + v)
        at, value, used = now, v, used + 1
    if used == 0:
        return np.nan
    total += value * (end - at)
    return total / (end - begin) if end > begin else value


@inlined_sums
def band_sums(
    load: Floats, motion: Floats, first: int, last: int, low: float, high: float, l0: float, m0: float
) -> tuple[float, float, float, float, float]:
    """Count and sums of motion, load, motion², motion x load of the samples whose load is in a band.

    Parameters
    ----------
    load, motion : float arrays, shape (n,)
        N·m or N, and deg or mm.
    first, last : int
        The branch's samples are ``first … last - 1``.
    low, high : float
        The band, both ends in it, in the unit of the load.
    l0, m0 : float
        Load and motion near the middle, which are taken off: sums of large numbers would lose digits.

    Returns
    -------
    count, motion, load, motion_squared, product : float
        Sums of the values less ``m0`` and ``l0``, in their units; all 0 where no sample is in the band.
    """
    count, ms, ls, mm, ml = 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(PLACE(first), PLACE(last)):
        x, f = np.float64(motion[k]) - m0, np.float64(load[k])
        inside = np.float64((low <= f) & (f <= high))
        f = (f - l0) * inside
        count += inside
        ms += x * inside
        ls += f
        mm += x * x * inside
        ml += x * f
    return count, ms, ls, mm, ml
