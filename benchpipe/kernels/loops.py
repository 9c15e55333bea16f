"""Measure one loop from its raw samples.

Every figure of a cycle is a function of its own samples and of the two crossings
that bound it, summed in time order from a local origin: however a run is cut, the
same samples give the same bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

# Columns of the measure array. Units: load, motion, seconds; energy is load x motion.
FIELDS: tuple[str, ...] = (
    "period_s", "start_offset_s", "longest_step_s",
    "peak_load", "valley_load", "peak_time_s", "valley_time_s", "motion_at_peak", "motion_at_valley", "load_mean",
    "motion_max", "motion_min", "load_at_motion_max", "load_at_motion_min", "motion_mean",
    "energy", "loading_stiffness", "unloading_stiffness", "closure_gap", "temperature_c",
    "storage_stiffness", "loss_stiffness", "waveform_error", "lash",
)  # fmt: skip
FIELD = {name: i for i, name in enumerate(FIELDS)}
N_FIELDS = len(FIELDS)
LEAST_SLOPE_SAMPLES = 3
MOST_JITTER = 0.2  # of a step: sampling that is even so far takes the fast way to the fundamental


@compiled
def measure_loops(
    time_us: NDArray[np.int64],
    load: NDArray[np.float64],
    motion: NDArray[np.float64],
    temperature: NDArray[np.float64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    start_part: NDArray[np.float64],
    end_part: NDArray[np.float64],
    band_low: float,
    band_high: float,
    weights: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Measure closed loops.

    Loop ``c`` has the samples ``start[c] … end[c] - 1``. It begins between the samples
    ``start - 1`` and ``start`` at the part ``start_part`` of the step, and ends likewise
    between ``end - 1`` and ``end``.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
    load, motion : float arrays, shape (n,)
    temperature : float array, shape (n,) or (0,)
    start, end : int64 arrays, shape (k,)
    start_part, end_part : float64 arrays, shape (k,)
        Parts of a step, 0 to 1.
    band_low, band_high : float
        Parts of the loop's own load range that bound the stiffness band.
    weights : float64 array, shape (h + 1,)
        One half of a symmetric low-pass filter, centre first; shape (1,) for none.

    Returns
    -------
    float64 array, shape (k, N_FIELDS)
        Columns as in :data:`FIELDS`; NaN where a slope or temperature has no meaning.
    """
    out = np.empty((start.size, N_FIELDS), np.float64)
    for c in range(start.size):
        a, b = start[c] - 1, end[c] + 1
        times = time_us[a:b]
        temperatures = temperature[a:b] if temperature.size > 0 else temperature
        ends = (start_part[c], end_part[c])
        if weights.size > 1:
            loads, motions = smooth(load[a:b], weights), smooth(motion[a:b], weights)
            _measure(times, loads, motions, temperatures, ends, band_low, band_high, out[c])
        else:
            _measure(times, load[a:b], motion[a:b], temperatures, ends, band_low, band_high, out[c])
    return out


@compiled
def _between(before, after, part):  # type: ignore[no-untyped-def]
    return np.float64(before) + part * (np.float64(after) - np.float64(before))


@compiled
def _measure(time_us, load, motion, temperature, ends, band_low, band_high, row):  # type: ignore[no-untyped-def]
    """Fill one row. Samples 1 … n-2 are inside; 0 and n-1 stand outside the two crossings."""
    n = load.size
    start_part, end_part = ends
    l0 = _between(load[0], load[1], start_part)
    m0 = _between(motion[0], motion[1], start_part)
    t_start = (time_us[0] - time_us[1]) * 1e-6 * (1.0 - start_part)  # at or before sample 1, which is time 0
    peak, valley, top, bottom = 1, 1, 1, 1
    load_top = load_bottom = load[1]
    motion_top = motion_bottom = motion[1]
    longest = max(time_us[1] - time_us[0], time_us[n - 1] - time_us[n - 2])
    l, m = np.float64(load[1]) - l0, np.float64(motion[1]) - m0
    area = 0.5 * l * m
    load_time, motion_time = -0.5 * l * t_start, -0.5 * m * t_start
    step_us = np.int64(0)
    shortest = longest
    twice_area, twice_load, twice_motion, twice_square = 0.0, 0.0, 0.0, 0.0
    square = l * l
    square_time = -0.5 * square * t_start
    warm = temperature.size > 0
    heat, warm_samples = 0.0, 0
    if warm and not np.isnan(temperature[1]):
        heat, warm_samples = np.float64(temperature[1]), 1
    for k in range(2, n - 1):
        value, moved = load[k], motion[k]
        if value > load_top:
            load_top, peak = value, k
        if value < load_bottom:
            load_bottom, valley = value, k
        if moved > motion_top:
            motion_top, top = moved, k
        if moved < motion_bottom:
            motion_bottom, bottom = moved, k
        step_us = time_us[k] - time_us[k - 1]
        longest, shortest = max(longest, step_us), min(shortest, step_us)
        if warm and not np.isnan(temperature[k]):
            heat += temperature[k]
            warm_samples += 1
        next_l, next_m = np.float64(value) - l0, np.float64(moved) - m0
        both = l + next_l
        twice_area += both * (next_m - m)
        twice_load += both * step_us
        twice_motion += (m + next_m) * step_us
        next_square = next_l * next_l
        twice_square += (square + next_square) * step_us
        square = next_square
        l, m = next_l, next_m
    area += 0.5 * twice_area
    load_time += 0.5e-6 * twice_load
    motion_time += 0.5e-6 * twice_motion
    step = (time_us[n - 1] - time_us[n - 2]) * 1e-6 * end_part
    before_t = (time_us[n - 2] - time_us[1]) * 1e-6 + step
    before_l = _between(load[n - 2], load[n - 1], end_part) - l0
    before_m = _between(motion[n - 2], motion[n - 1], end_part) - m0
    area += 0.5 * (l + before_l) * (before_m - m)
    load_time += 0.5 * (l + before_l) * step
    motion_time += 0.5 * (m + before_m) * step
    square_time += 0.5e-6 * twice_square + 0.5 * (square + before_l * before_l) * step
    area -= 0.5 * before_l * before_m  # the edge that closes the polygon
    period = before_t - t_start
    row[0] = period
    row[1] = t_start
    row[2] = longest * 1e-6
    row[3] = load[peak]
    row[4] = load[valley]
    row[5] = (time_us[peak] - time_us[1]) * 1e-6 - t_start
    row[6] = (time_us[valley] - time_us[1]) * 1e-6 - t_start
    row[7] = motion[peak]
    row[8] = motion[valley]
    row[9] = l0 + load_time / period
    row[10] = motion[top]
    row[11] = motion[bottom]
    row[12] = load[top]
    row[13] = load[bottom]
    row[14] = m0 + motion_time / period
    row[15] = area
    span = np.float64(load[peak]) - np.float64(load[valley])
    low, high = load[valley] + band_low * span, load[valley] + band_high * span
    loading, loading_zero = _branch(load, motion, valley, peak, low, high, l0, m0)
    unloading, unloading_zero = _branch(load, motion, peak, valley, low, high, l0, m0)
    row[16] = loading
    row[17] = unloading
    row[18] = before_m
    row[19] = heat / warm_samples if warm_samples > 0 else np.nan
    row[23] = unloading_zero - loading_zero
    even = longest - shortest <= MOST_JITTER * shortest
    load_mean, motion_mean = load_time / period, motion_time / period
    parts = _fundamental(time_us, load, motion, period, t_start, l0 + load_mean, m0 + motion_mean, even)
    l_cos, l_sin, m_cos, m_sin = parts
    size = m_cos * m_cos + m_sin * m_sin
    if size > 0.0:
        row[20] = (l_cos * m_cos + l_sin * m_sin) / size
        row[21] = (l_cos * m_sin - l_sin * m_cos) / size
    else:
        row[20] = row[21] = np.nan
    sine = 2.0 * (l_cos * l_cos + l_sin * l_sin)  # mean square of the fundamental
    rest = square_time / period - load_mean * load_mean - sine
    row[22] = np.sqrt(max(rest, 0.0) / sine) if sine > 0.0 else np.nan


@compiled
def _fundamental(time_us, load, motion, period, t_start, load_mean, motion_mean, even):  # type: ignore[no-untyped-def]
    """Means of load and motion times cos and sin of the phase, by the trapezium rule from boundary to boundary.

    Even sampling turns four phasors by four steps at a time; uneven sampling asks for each sine.
    """
    last = load.size - 2
    turn = 2.0 * np.pi / period
    step = (time_us[last] - time_us[1]) * 1e-6 / max(last - 1, 1)
    sums = (0.0, 0.0, 0.0, 0.0)
    lanes = 4
    if even and last >= 2 * lanes:
        four_cos, four_sin = np.cos(lanes * turn * step), np.sin(lanes * turn * step)
        c0, s0 = np.cos(-turn * t_start), np.sin(-turn * t_start)
        c1, s1 = np.cos(turn * (step - t_start)), np.sin(turn * (step - t_start))
        c2, s2 = np.cos(turn * (2 * step - t_start)), np.sin(turn * (2 * step - t_start))
        c3, s3 = np.cos(turn * (3 * step - t_start)), np.sin(turn * (3 * step - t_start))
        a, b, c, d = 0.0, 0.0, 0.0, 0.0
        k = 1
        while k + lanes <= last + 1:
            l, m = load[k] - load_mean, motion[k] - motion_mean
            l1, m1 = load[k + 1] - load_mean, motion[k + 1] - motion_mean
            l2, m2 = load[k + 2] - load_mean, motion[k + 2] - motion_mean
            l3, m3 = load[k + 3] - load_mean, motion[k + 3] - motion_mean
            a += (l * c0 + l1 * c1) + (l2 * c2 + l3 * c3)
            b += (l * s0 + l1 * s1) + (l2 * s2 + l3 * s3)
            c += (m * c0 + m1 * c1) + (m2 * c2 + m3 * c3)
            d += (m * s0 + m1 * s1) + (m2 * s2 + m3 * s3)
            c0, s0 = c0 * four_cos - s0 * four_sin, c0 * four_sin + s0 * four_cos
            c1, s1 = c1 * four_cos - s1 * four_sin, c1 * four_sin + s1 * four_cos
            c2, s2 = c2 * four_cos - s2 * four_sin, c2 * four_sin + s2 * four_cos
            c3, s3 = c3 * four_cos - s3 * four_sin, c3 * four_sin + s3 * four_cos
            k += lanes
        sums = (a * step, b * step, c * step, d * step)
        for j in range(k, last + 1):
            sums = _add_phase(sums, load[j] - load_mean, motion[j] - motion_mean, turn * ((j - 1) * step - t_start), step)
    else:
        for j in range(1, last + 1):
            before = time_us[j] - time_us[j - 1] if j > 1 else 0
            after = time_us[j + 1] - time_us[j] if j < last else 0
            t = (time_us[j] - time_us[1]) * 1e-6 - t_start
            weight = 0.5e-6 * (before + after)
            sums = _add_phase(sums, load[j] - load_mean, motion[j] - motion_mean, turn * t, weight)
        step = 0.0
    # the steps that the crossings cut short
    first_l, first_m = load[1] - load_mean, motion[1] - motion_mean
    last_l, last_m = load[last] - load_mean, motion[last] - motion_mean
    end = period + t_start - (time_us[last] - time_us[1]) * 1e-6  # from the last sample to the crossing
    sums = _add_phase(sums, first_l, first_m, -turn * t_start, 0.5 * (-t_start - step))
    sums = _add_phase(sums, last_l, last_m, turn * (period - end), 0.5 * (end - step))
    start_l = _between(load[0], load[1], _part_of(time_us[1] - time_us[0], t_start)) - load_mean
    start_m = _between(motion[0], motion[1], _part_of(time_us[1] - time_us[0], t_start)) - motion_mean
    return _scaled(_add_phase(sums, start_l, start_m, 0.0, 0.5 * (end - t_start)), 1.0 / period)


@compiled
def _part_of(step_us, t_start):  # type: ignore[no-untyped-def]
    return 1.0 + t_start / (step_us * 1e-6) if step_us > 0 else 1.0


@compiled
def _add_phase(sums, l, m, phase, weight):  # type: ignore[no-untyped-def]
    c, s = weight * np.cos(phase), weight * np.sin(phase)
    return sums[0] + l * c, sums[1] + l * s, sums[2] + m * c, sums[3] + m * s


@compiled
def _scaled(sums, factor):  # type: ignore[no-untyped-def]
    return sums[0] * factor, sums[1] * factor, sums[2] * factor, sums[3] * factor


@compiled
def _branch(load, motion, begin, finish, low, high, l0, m0):  # type: ignore[no-untyped-def]
    """Least-squares line of load on motion in the band, going round from ``begin`` to ``finish``.

    Gives its slope, and the motion at which it meets zero load.
    """
    last = load.size - 2
    count, sum_m, sum_l, sum_mm, sum_ml = 0, 0.0, 0.0, 0.0, 0.0
    if begin <= finish:
        first_to, second_from = finish, last + 1
    else:
        first_to, second_from = last, 1
    for part in range(2):
        a = begin if part == 0 else second_from
        b = first_to if part == 0 else (finish if begin > finish else last)
        for k in range(a, b + 1):
            if low <= load[k] <= high:
                m, l = np.float64(motion[k]) - m0, np.float64(load[k]) - l0
                count += 1
                sum_m += m
                sum_l += l
                sum_mm += m * m
                sum_ml += m * l
    spread = count * sum_mm - sum_m * sum_m
    if count < LEAST_SLOPE_SAMPLES or spread <= 0.0:
        return np.nan, np.nan
    slope = (count * sum_ml - sum_m * sum_l) / spread
    if slope == 0.0:
        return slope, np.nan
    return slope, m0 + sum_m / count - (l0 + sum_l / count) / slope


@compiled
def smooth(values: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Symmetric (zero-phase) low-pass of one loop, its ends continued by point reflection.

    Parameters
    ----------
    values : float array, shape (n,)
    weights : float64 array, shape (h + 1,)
        Centre first; ``weights[0] + 2 * sum(weights[1:]) == 1``.
    """
    n = values.size
    out = np.empty(n, np.float64)
    for k in range(n):
        total = weights[0] * values[k]
        for h in range(1, weights.size):
            a, b = k - h, k + h
            before = values[a] if a >= 0 else 2.0 * values[0] - values[min(-a, n - 1)]
            after = values[b] if b < n else 2.0 * values[n - 1] - values[max(2 * (n - 1) - b, 0)]
            total += weights[h] * (before + after)
        out[k] = total
    return out


def gaussian_weights(cutoff_hz: float | None, sample_rate_hz: float) -> NDArray[np.float64]:
    """Half of a Gaussian filter that passes one half of the amplitude at the cut-off.

    The half-transmission cut-off is that of the Gaussian profile filter of
    ISO 16610-21 [M: from memory, not verified against the standard].
    """
    if cutoff_hz is None:
        return np.ones(1)
    sigma = np.sqrt(2.0 * np.log(2.0)) / (2.0 * np.pi * cutoff_hz) * sample_rate_hz
    half = np.arange(int(np.ceil(4.0 * sigma)) + 1)
    weights: NDArray[np.float64] = np.exp(-0.5 * (half / sigma) ** 2)
    return weights / (weights[0] + 2.0 * weights[1:].sum())


def crossing_part(before: NDArray[np.float64], after: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Part of the step from ``before`` to ``after`` at which ``level`` is crossed (0 to 1)."""
    step = after - before
    part = np.divide(level - before, step, out=np.ones_like(step), where=step != 0)
    return np.clip(part, 0.0, 1.0)
