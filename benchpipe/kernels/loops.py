"""Measure one loop from its raw samples.

Every figure of a cycle is a function of its own samples and of the two crossings
that bound it, summed in time order from a local origin: however a run is cut, the
same samples give the same bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled_sums, deferred, inlined_sums
from benchpipe.kernels.filters import smooth_loops
from benchpipe.kernels.fundamental import fundamental
from benchpipe.kernels.loop_sums import (
    band_sums,
    even_sums,
    mean_of_known,
    places_of,
    step_ends,
    timed_mean,
    timed_mean_of_known,
    timed_sums,
    turn_phasors,
    value_ends,
)
from benchpipe.kernels.read_only import read_only
from benchpipe.kernels.repeats import LEAST_PAIRS, longest_repeat, most_repeats

(uncounted,) = deferred("benchpipe.kernels.intrinsics", "uncounted")

Floats = NDArray[np.float64]
# Columns of the measure array. Units: load, motion, seconds; energy is load x motion.
FIELDS: tuple[str, ...] = (
    "period_s", "start_offset_s", "longest_step_s",
    "peak_load", "valley_load", "peak_time_s", "valley_time_s", "motion_at_peak", "motion_at_valley", "load_mean",
    "motion_max", "motion_min", "load_at_motion_max", "load_at_motion_min", "motion_mean",
    "energy", "loading_stiffness", "unloading_stiffness", "closure_error", "temperature_c",
    "storage_stiffness", "loss_stiffness", "waveform_error", "backlash", "load_repeats", "motion_repeats",
)  # fmt: skip
FIELD = {name: i for i, name in enumerate(FIELDS)}
N_FIELDS = len(FIELDS)
# Their rows in it, each named like its field.
(
    PERIOD_S, START_OFFSET_S, LONGEST_STEP_S, PEAK_LOAD, VALLEY_LOAD, PEAK_TIME_S, VALLEY_TIME_S, MOTION_AT_PEAK,
    MOTION_AT_VALLEY, LOAD_MEAN, MOTION_MAX, MOTION_MIN, LOAD_AT_MOTION_MAX, LOAD_AT_MOTION_MIN, MOTION_MEAN, ENERGY,
    LOADING_STIFFNESS, UNLOADING_STIFFNESS, CLOSURE_ERROR, TEMPERATURE_C, STORAGE_STIFFNESS, LOSS_STIFFNESS,
    WAVEFORM_ERROR, BACKLASH, LOAD_REPEATS, MOTION_REPEATS,
) = range(N_FIELDS)  # fmt: skip
LEAST_SLOPE_SAMPLES = 3
LEAST_EVEN = 8  # samples
MOST_JITTER = 0.2  # of a step: sampling that is even so far has the phasors of even sampling, if it does not drift
CLOCK_STEP_US = 1  # steps that differ by no more are equal: means need no times
NEAR_ZERO = 0.02  # of the load range: a loop that ends so near zero load comes to it
LEAST_RANGE = 1e-9  # of the largest value: what changes less stands still (a step of float32 is fifty times larger)


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
        Rising times [µs].
    load, motion : float arrays, shape (n,)
        N·m or N, and deg or mm.
    temperature : float array, shape (n,) or (0,)
        [°C], taken in single precision, as samples are kept; (0,): not logged.
    start, end : int64 arrays, shape (k,)
        First sample of each loop, and the one after its last.
    start_part, end_part : float64 arrays, shape (k,)
        Parts of a step, 0 to 1; a ``start_part`` of 1 begins a loop at its first sample, and the one before need not
        be there (a lone sample may stand at place 0 only); an ``end_part`` of 0 ends it at its last.
    band_low, band_high : float
        Parts of the loop's own load range that bound the stiffness band.
    weights : float64 array, shape (h + 1,)
        One half of a symmetric low-pass filter, centre first; shape (1,) for none.

    Returns
    -------
    float64 array, shape (k, N_FIELDS), column after column in memory
        Columns as in :data:`FIELDS`; NaN where a figure has no meaning: no slope where the motion stands still,
        no waveform where the load does, no backlash where the load stays clear of zero. Means are integrals over time
        from boundary to boundary. Repeats are those of :func:`~benchpipe.kernels.repeats.most_repeats`, before the
        low-pass.
    """
    raw, begin, finish = (load, motion), start, end
    if weights.size > 1:
        before = np.where((start_part < 1.0) | (end - start < 2), np.maximum(start - 1, 0), start)
        after = np.where(end_part > 0.0, end + 1, end)
        own = np.concatenate([np.arange(a, b) for a, b in zip(before, after, strict=True)] or [start[:0]])
        sizes = after - before
        first = np.cumsum(sizes) - sizes + (start - before)
        time_us, temperature = time_us[own], temperature[own] if temperature.size else temperature
        load, motion = (smooth_loops(values, before, after, weights) for values in (load, motion))
        start, end = first, first + (end - start)
    table = np.empty((N_FIELDS, start.size), np.float64)
    out = table.T  # a column lies in one piece
    longest = int((end - start).max()) if start.size else 0
    uneven = np.empty(start.size, np.bool_)
    warm = temperature.astype(np.float32, copy=False)
    samples = read_only(time_us), read_only(load), read_only(motion), read_only(warm)
    bounds = read_only(start), read_only(end), read_only(start_part), read_only(end_part)
    _measure_all(
        *samples, *bounds, float(band_low), float(band_high), np.empty(longest), np.empty(longest), table, uneven
    )
    if uneven.any():  # a kernel of its own: in the other it would slow down cycles that do not need it
        _mean_over_time(*samples, *bounds, uneven, table)
    if weights.size > 1:
        for name, values in zip(("load_repeats", "motion_repeats"), raw, strict=True):
            out[:, FIELD[name]] = most_repeats(values, begin, finish)
    return out


@compiled_sums
def _mean_over_time(
    time_us: NDArray[np.int64],
    load: Floats,
    motion: Floats,
    temperature: Floats,
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    start_part: Floats,
    end_part: Floats,
    uneven: NDArray[np.bool_],
    out: Floats,
) -> None:
    """Means of the loops whose steps are not equal."""
    for c in range(start.size):
        if uneven[c]:
            first, last = start[c], end[c] - 1
            before = first - 1 if start_part[c] < 1.0 or last == first else first
            after = last + 1 if end_part[c] > 0.0 else last
            places, parts = (before, first, last, after), (start_part[c], end_part[c])
            out[LOAD_MEAN, c] = timed_mean(time_us, load, places, parts)
            out[MOTION_MEAN, c] = timed_mean(time_us, motion, places, parts)
            if temperature.size > 0:
                warm = timed_mean(time_us, temperature, places, parts)
                if np.isnan(warm):
                    warm = timed_mean_of_known(time_us, temperature, places, parts)
                out[TEMPERATURE_C, c] = warm


@compiled_sums
def _measure_all(
    time_us: NDArray[np.int64],
    load: Floats,
    motion: Floats,
    temperature: Floats,
    starts: NDArray[np.int64],
    stops: NDArray[np.int64],
    start_parts: Floats,
    end_parts: Floats,
    band_low: float,
    band_high: float,
    cosines: Floats,
    sines: Floats,
    out: Floats,
    uneven: NDArray[np.bool_],
) -> None:
    """Fill all columns, one a loop. Samples ``first … end - 1`` are inside; one on each side is outside.

    The caller holds the arrays: here they are seen without counted references. The loop's body is not a function of
    its own: numba would copy it twice to inline it, half of what this kernel takes to compile.
    """
    time_us, load, motion = uncounted(time_us), uncounted(load), uncounted(motion)
    temperature, cosines, sines = uncounted(temperature), uncounted(cosines), uncounted(sines)
    out, uneven = uncounted(out), uncounted(uneven)
    for c in range(starts.size):
        first, end, start_part, end_part = starts[c], stops[c], start_parts[c], end_parts[c]
        last, size = end - 1, end - first
        # as at the end: what came before is not its own; before the very first sample there is nothing
        before = max(first - 1, 0) if start_part < 1.0 or size < 2 else first
        l0, m0 = _between(load[before], load[first], start_part), _between(motion[before], motion[first], start_part)
        after = end if end_part > 0.0 else last  # an open cycle ends at its last sample: what comes next is not its own
        l1, m1 = _between(load[last], load[after], end_part), _between(motion[last], motion[after], end_part)
        lead = (time_us[first] - time_us[before]) * 1e-6 * (1.0 - start_part)  # from the boundary to the first sample
        trail = (time_us[after] - time_us[last]) * 1e-6 * end_part
        span = (time_us[last] - time_us[first]) * 1e-6
        period = lead + span + trail
        shortest, longest = step_ends(time_us, before, after + 1)
        uneven[c] = longest - shortest > CLOCK_STEP_US
        even = longest - shortest <= MOST_JITTER * shortest and _keeps_step(time_us, first, last)
        bottom_load, top_load, load_repeats = value_ends(load, first, end)
        bottom_motion, top_motion, motion_repeats = value_ends(motion, first, end)
        valley, peak = places_of(load, first, end, bottom_load, top_load)
        bottom, top = places_of(motion, first, end, bottom_motion, top_motion)
        first_l, first_m = np.float64(load[first]), np.float64(motion[first])
        last_l, last_m = np.float64(load[last]), np.float64(motion[last])
        turn = 2.0 * np.pi / period
        if even and size >= LEAST_EVEN:
            step = span / (size - 1)
            turn_phasors(cosines, sines, size, turn * step)
            last_phasor = (cosines[size - 1], sines[size - 1])
            sums = even_sums(load, motion, first, end, cosines, sines, step)
        else:
            last_phasor = (np.cos(turn * span), np.sin(turn * span))
            sums = timed_sums(time_us, load, motion, first, end, turn)
        area = sums.area + (l0 + first_l) * (first_m - m0) + (last_l + l1) * (m1 - last_m) + (l1 + l0) * (m0 - m1)
        load_mean = (sums.load + 0.5 * lead * (l0 + first_l) + 0.5 * trail * (last_l + l1)) / period
        motion_mean = (sums.motion + 0.5 * lead * (m0 + first_m) + 0.5 * trail * (last_m + m1)) / period
        edges = 0.5 * lead * (l0 * l0 + first_l * first_l) + 0.5 * trail * (last_l * last_l + l1 * l1)
        square_mean = (sums.square + edges) / period
        out[PERIOD_S, c] = period
        out[START_OFFSET_S, c] = -lead
        out[LONGEST_STEP_S, c] = longest * 1e-6
        out[PEAK_LOAD, c] = top_load
        out[VALLEY_LOAD, c] = bottom_load
        out[PEAK_TIME_S, c] = (time_us[peak] - time_us[first]) * 1e-6 + lead
        out[VALLEY_TIME_S, c] = (time_us[valley] - time_us[first]) * 1e-6 + lead
        out[MOTION_AT_PEAK, c] = motion[peak]
        out[MOTION_AT_VALLEY, c] = motion[valley]
        out[LOAD_MEAN, c] = load_mean
        out[MOTION_MAX, c] = top_motion
        out[MOTION_MIN, c] = bottom_motion
        out[LOAD_AT_MOTION_MAX, c] = load[top]
        out[LOAD_AT_MOTION_MIN, c] = load[bottom]
        out[MOTION_MEAN, c] = motion_mean
        out[ENERGY, c] = 0.5 * area
        width = np.float64(top_load) - np.float64(bottom_load)
        low, high = bottom_load + band_low * width, bottom_load + band_high * width
        band = (low, high, l0, m0)
        out[LOADING_STIFFNESS, c], loading_zero = _branch(load, motion, first, end, valley, peak, band)
        out[UNLOADING_STIFFNESS, c], unloading_zero = _branch(load, motion, first, end, peak, valley, band)
        out[CLOSURE_ERROR, c] = m1 - m0
        out[TEMPERATURE_C, c] = mean_of_known(temperature, first, end) if temperature.size > 0 else np.nan
        l_cos, l_sin, m_cos, m_sin = fundamental(
            sums, period, (lead, trail), (load_mean, motion_mean),
            (l0, first_l, last_l, l1), (m0, first_m, last_m, m1), last_phasor,
        )  # fmt: skip
        if not _moves(bottom_load, top_load):
            l_cos, l_sin = 0.0, 0.0
        squared = m_cos * m_cos + m_sin * m_sin if _moves(bottom_motion, top_motion) else 0.0
        out[STORAGE_STIFFNESS, c] = (l_cos * m_cos + l_sin * m_sin) / squared if squared > 0.0 else np.nan
        out[LOSS_STIFFNESS, c] = (l_cos * m_sin - l_sin * m_cos) / squared if squared > 0.0 else np.nan
        sine = 2.0 * (l_cos * l_cos + l_sin * l_sin)  # mean square of the fundamental
        rest = max(square_mean - load_mean * load_mean - sine, 0.0)
        out[WAVEFORM_ERROR, c] = np.sqrt(rest / sine) if sine > 0.0 else np.nan
        comes_to_zero = bottom_load <= NEAR_ZERO * width and top_load >= -NEAR_ZERO * width
        out[BACKLASH, c] = unloading_zero - loading_zero if comes_to_zero else np.nan
        few = load_repeats < LEAST_PAIRS  # one is in a row
        out[LOAD_REPEATS, c] = load_repeats if few else longest_repeat(load, first, end)
        few = motion_repeats < LEAST_PAIRS
        out[MOTION_REPEATS, c] = motion_repeats if few else longest_repeat(motion, first, end)


@inlined_sums
def _between(before: float, after: float, part: float) -> float:
    return np.float64(before) + part * (np.float64(after) - np.float64(before))


@inlined_sums
def _keeps_step(time_us: NDArray[np.int64], first: int, last: int) -> bool:
    """Whether samples a quarter, half and three quarters on the way come when even steps would have them come."""
    steps, span = last - first, np.float64(time_us[last] - time_us[first])
    kept = True
    for quarter in range(1, 4):
        on = quarter * steps // 4
        late = np.float64(time_us[first + on] - time_us[first]) * steps - span * on  # in steps of the cycle
        kept = kept and bool(abs(late) <= MOST_JITTER * span)
    return kept


@inlined_sums
def _moves(low: float, high: float) -> bool:
    """Whether a signal between these ends changes at all: else its fundamental is what rounding left."""
    low, high = np.float64(low), np.float64(high)
    return bool(high - low > LEAST_RANGE * max(abs(low), abs(high)))


@inlined_sums
def _branch(
    load: Floats, motion: Floats, first: int, end: int, begin: int, finish: int, band: tuple[float, float, float, float]
) -> tuple[float, float]:
    """Least-squares line of load on motion in the band, going round from ``begin`` to ``finish``.

    Gives its slope, and the motion at which it meets zero load. ``band`` holds its ends and the origin of the sums.
    """
    low, high, l0, m0 = band
    if begin <= finish:
        count, ms, ls, mm, ml = band_sums(load, motion, begin, finish + 1, low, high, l0, m0)
    else:
        count, ms, ls, mm, ml = band_sums(load, motion, begin, end, low, high, l0, m0)
        more = band_sums(load, motion, first, finish + 1, low, high, l0, m0)
        count, ms, ls, mm, ml = count + more[0], ms + more[1], ls + more[2], mm + more[3], ml + more[4]
    spread = count * mm - ms * ms
    if count < LEAST_SLOPE_SAMPLES or spread <= 0.0:
        return np.nan, np.nan
    slope = (count * ml - ms * ls) / spread
    if slope == 0.0:
        return slope, np.nan
    return slope, m0 + ms / count - (l0 + ls / count) / slope
