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
)  # fmt: skip
FIELD = {name: i for i, name in enumerate(FIELDS)}
N_FIELDS = len(FIELDS)
LEAST_SLOPE_SAMPLES = 3


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
    area, load_time, motion_time, longest = 0.0, 0.0, 0.0, 0.0
    before_t, before_l, before_m = t_start, 0.0, 0.0
    for k in range(1, n):
        if k < n - 1:
            t = (time_us[k] - time_us[1]) * 1e-6
            l, m = np.float64(load[k]) - l0, np.float64(motion[k]) - m0
            peak = k if load[k] > load[peak] else peak
            valley = k if load[k] < load[valley] else valley
            top = k if motion[k] > motion[top] else top
            bottom = k if motion[k] < motion[bottom] else bottom
        else:
            t = (time_us[k - 1] - time_us[1]) * 1e-6 + (time_us[k] - time_us[k - 1]) * 1e-6 * end_part
            l = _between(load[k - 1], load[k], end_part) - l0
            m = _between(motion[k - 1], motion[k], end_part) - m0
        step = (time_us[k] - time_us[k - 1]) * 1e-6
        longest = max(longest, step)
        area += 0.5 * (l + before_l) * (m - before_m)
        load_time += 0.5 * (l + before_l) * (t - before_t)
        motion_time += 0.5 * (m + before_m) * (t - before_t)
        before_t, before_l, before_m = t, l, m
    area -= 0.5 * before_l * before_m  # the edge that closes the polygon
    period = before_t - t_start
    row[0] = period
    row[1] = t_start
    row[2] = longest
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
    row[16] = _branch_slope(load, motion, valley, peak, low, high, l0, m0)
    row[17] = _branch_slope(load, motion, peak, valley, low, high, l0, m0)
    row[18] = before_m
    total, used = 0.0, 0
    for k in range(1, min(n - 1, temperature.size)):
        if not np.isnan(temperature[k]):
            total += temperature[k]
            used += 1
    row[19] = total / used if used > 0 else np.nan


@compiled
def _branch_slope(load, motion, begin, finish, low, high, l0, m0):  # type: ignore[no-untyped-def]
    """Least-squares slope of load on motion, going round from ``begin`` to ``finish``, inside the band."""
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
        return np.nan
    return (count * sum_ml - sum_m * sum_l) / spread


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
