"""Measure one loop from its raw samples.

Every figure of a cycle is a function of its own samples and of the two crossings
that bound it, summed in time order from a local origin: however a run is cut, the
same samples give the same bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled_sums, inlined_sums
from benchpipe.kernels.filters import smooth
from benchpipe.kernels.fundamental import fundamental
from benchpipe.kernels.loop_sums import (
    band_sums,
    even_sums,
    first_of,
    mean_of_known,
    step_ends,
    timed_sums,
    twice_area,
    value_ends,
)

Floats = NDArray[np.float64]
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
MOST_JITTER = 0.2  # of a step: sampling that is even so far is taken as even


@compiled_sums
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
    longest = 0
    for c in range(start.size):
        longest = max(longest, end[c] - start[c])
    scratch = np.empty((2, longest + 2), np.float64)
    for c in range(start.size):
        a, b = start[c] - 1, end[c] + 1
        times = time_us[a:b]
        temperatures = temperature[a:b] if temperature.size > 0 else temperature
        ends = (start_part[c], end_part[c])
        if weights.size > 1:
            loads, motions = smooth(load[a:b], weights), smooth(motion[a:b], weights)
            _measure(times, loads, motions, temperatures, ends, band_low, band_high, scratch, out[c])
        else:
            _measure(times, load[a:b], motion[a:b], temperatures, ends, band_low, band_high, scratch, out[c])
    return out


@inlined_sums
def _measure(
    time_us: NDArray[np.int64],
    load: Floats,
    motion: Floats,
    temperature: Floats,
    ends: tuple[float, float],
    band_low: float,
    band_high: float,
    scratch: Floats,
    row: Floats,
) -> None:
    """Fill one row. Samples 1 … n-2 are inside; 0 and n-1 stand outside the two boundaries."""
    n = load.size
    start_part, end_part = ends
    times, loads, motions = time_us[1 : n - 1], load[1 : n - 1], motion[1 : n - 1]
    l0, m0 = _between(load[0], load[1], start_part), _between(motion[0], motion[1], start_part)
    l1, m1 = _between(load[n - 2], load[n - 1], end_part), _between(motion[n - 2], motion[n - 1], end_part)
    lead = (time_us[1] - time_us[0]) * 1e-6 * (1.0 - start_part)  # from the boundary to the first sample
    trail = (time_us[n - 1] - time_us[n - 2]) * 1e-6 * end_part
    span = (times[-1] - times[0]) * 1e-6
    period = lead + span + trail
    shortest, longest = step_ends(time_us)
    even = longest - shortest <= MOST_JITTER * shortest
    bottom_load, top_load = value_ends(loads)
    bottom_motion, top_motion = value_ends(motions)
    peak, valley = first_of(loads, top_load), first_of(loads, bottom_load)
    top, bottom = first_of(motions, top_motion), first_of(motions, bottom_motion)
    first_l, first_m = np.float64(loads[0]), np.float64(motions[0])
    last_l, last_m = np.float64(loads[-1]), np.float64(motions[-1])
    area = twice_area(loads, motions)
    area += (l0 + first_l) * (first_m - m0) + (last_l + l1) * (m1 - last_m) + (l1 + l0) * (m0 - m1)
    if even and times.size > 1:
        step = span / (times.size - 1)
        sums = even_sums(loads, motions)
        sums = (sums[0] * step, sums[1] * step, sums[2] * step)
    else:
        sums = timed_sums(times, loads, motions)
    load_mean = (sums[0] + 0.5 * lead * (l0 + first_l) + 0.5 * trail * (last_l + l1)) / period
    motion_mean = (sums[1] + 0.5 * lead * (m0 + first_m) + 0.5 * trail * (last_m + m1)) / period
    edges = 0.5 * lead * (l0 * l0 + first_l * first_l) + 0.5 * trail * (last_l * last_l + l1 * l1)
    square_mean = (sums[2] + edges) / period
    row[0] = period
    row[1] = -lead
    row[2] = longest * 1e-6
    row[3] = top_load
    row[4] = bottom_load
    row[5] = (times[peak] - times[0]) * 1e-6 + lead
    row[6] = (times[valley] - times[0]) * 1e-6 + lead
    row[7] = motions[peak]
    row[8] = motions[valley]
    row[9] = load_mean
    row[10] = top_motion
    row[11] = bottom_motion
    row[12] = loads[top]
    row[13] = loads[bottom]
    row[14] = motion_mean
    row[15] = 0.5 * area
    width = np.float64(top_load) - np.float64(bottom_load)
    low, high = bottom_load + band_low * width, bottom_load + band_high * width
    row[16], loading_zero = _branch(loads, motions, valley, peak, low, high, l0, m0)
    row[17], unloading_zero = _branch(loads, motions, peak, valley, low, high, l0, m0)
    row[18] = m1 - m0
    row[19] = mean_of_known(temperature[1 : n - 1]) if temperature.size > 0 else np.nan
    means = (load_mean, motion_mean)
    l_cos, l_sin, m_cos, m_sin = fundamental(time_us, load, motion, period, -lead, means, even, scratch)
    size = m_cos * m_cos + m_sin * m_sin
    row[20] = (l_cos * m_cos + l_sin * m_sin) / size if size > 0.0 else np.nan
    row[21] = (l_cos * m_sin - l_sin * m_cos) / size if size > 0.0 else np.nan
    sine = 2.0 * (l_cos * l_cos + l_sin * l_sin)  # mean square of the fundamental
    rest = max(square_mean - load_mean * load_mean - sine, 0.0)
    row[22] = np.sqrt(rest / sine) if sine > 0.0 else np.nan
    row[23] = unloading_zero - loading_zero


@inlined_sums
def _between(before: float, after: float, part: float) -> float:
    return np.float64(before) + part * (np.float64(after) - np.float64(before))


@inlined_sums
def _branch(
    load: Floats, motion: Floats, begin: int, finish: int, low: float, high: float, l0: float, m0: float
) -> tuple[float, float]:
    """Least-squares line of load on motion in the band, going round from ``begin`` to ``finish``.

    Gives its slope, and the motion at which it meets zero load.
    """
    if begin <= finish:
        count, ms, ls, mm, ml = band_sums(load[begin : finish + 1], motion[begin : finish + 1], low, high, l0, m0)
    else:
        count, ms, ls, mm, ml = band_sums(load[begin:], motion[begin:], low, high, l0, m0)
        more = band_sums(load[: finish + 1], motion[: finish + 1], low, high, l0, m0)
        count, ms, ls, mm, ml = count + more[0], ms + more[1], ls + more[2], mm + more[3], ml + more[4]
    spread = count * mm - ms * ms
    if count < LEAST_SLOPE_SAMPLES or spread <= 0.0:
        return np.nan, np.nan
    slope = (count * ml - ms * ls) / spread
    if slope == 0.0:
        return slope, np.nan
    return slope, m0 + ms / count - (l0 + ls / count) / slope


def crossing_part(before: NDArray[np.float64], after: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Part of the step from ``before`` to ``after`` at which ``level`` is crossed (0 to 1)."""
    step = after - before
    part = np.divide(level - before, step, out=np.ones_like(step), where=step != 0)
    return np.clip(part, 0.0, 1.0)
