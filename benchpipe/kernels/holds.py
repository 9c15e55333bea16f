"""Find holds, and average each over bins that widen with time.

A hold of any length is kept as sums over log-spaced bins: creep is a matter of
decades of time, and the averages stay within a twentieth of a standard deviation
to a half of the fit to all points.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled, compiled_scan

PER_DECADE = 25
FIRST_EDGE_S = 1e-3
N_BINS = 300
# Columns of the bins: count, sums of time, motion, motion², load, load², temperature, count of temperature.
COUNT, TIME, MOTION, MOTION2, LOAD, LOAD2, TEMPERATURE, N_TEMPERATURE = range(8)
BREAK_PART = 0.1  # a break in the log of up to this part of the time under load so far is bridged,
MOST_BREAK_US = 600_000_000  # and of no more than this
RAMP_FOOT = 0.1  # a ramp begins where the load was last below this part of its target


class HoldState(NamedTuple):
    """State of the scan. Times in µs, ``nan`` or -1 where not known.

    ``least_step`` is the least change of the motion, other than none, from one reading in the band to the next: the
    step of a channel that shows steps, next to nothing for one that does not; infinite where it never changed.
    """

    inside: bool
    start_us: int
    last_in_us: int
    previous_us: int
    foot_us: int
    foot_motion: float
    foot_load: float
    origin_motion: float
    origin_load: float
    outside_us: int
    bridged: int
    last_motion: float
    least_step: float


FRESH_HOLD = HoldState(False, -1, -1, -1, -1, np.nan, np.nan, 0.0, 0.0, 0, 0, np.nan, np.inf)


def fresh_bins() -> NDArray[np.float64]:
    """Empty sums, shape (N_BINS, 8).

    Returns
    -------
    float64 array, shape (N_BINS, 8)
        All 0; the columns are COUNT … N_TEMPERATURE.
    """
    return np.zeros((N_BINS, 8))


@compiled_scan(HoldState)
def scan_hold(
    time_us: NDArray[np.int64],
    load: NDArray[np.float64],
    motion: NDArray[np.float64],
    temperature: NDArray[np.float64],
    first: int,
    target: float,
    tolerance: float,
    patience_us: int,
    gap_us: int,
    state: HoldState,
    bins: NDArray[np.float64],
) -> tuple[int, tuple[bool, int, int, int, int, float, float, float, float, int, int, float, float]]:
    """Scan samples from ``first`` until a hold ends or the samples do.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Rising times [µs].
    load, motion : float arrays, shape (n,)
        N·m or N, and deg or mm.
    temperature : float array, shape (n,) or (0,)
        [°C]; (0,): not logged.
    first : int
        First sample not scanned yet.
    target, tolerance : float
        The band is ``|load - target| <= tolerance``, in the load's unit.
    patience_us : int
        The hold ends when the load was outside for so much longer than inside (a load that swings
        through its band is not held), or at a gap that is not bridged: a short one is, with the load
        in its band on both sides.
    gap_us : int
        A longer step is a gap [µs].
    state : HoldState
    bins : float64 array, shape (N_BINS, 8)
        Sums of the hold in progress; changed in place. Motion and load are summed
        from ``origin_motion`` and ``origin_load``.

    Returns
    -------
    next : int
        First sample not scanned: below n when a hold has just ended.
    state : HoldState
        With ``inside`` false and ``start_us`` set when a hold has just ended.
    """
    (inside, start_us, last_in_us, previous_us, foot_us, foot_motion, foot_load, origin, load_origin,
     outside_us, bridged, last_motion, least_step) = state  # fmt: skip
    foot = RAMP_FOOT * abs(target)
    for k in range(first, time_us.size):
        now = time_us[k]
        value, moved = np.float64(load[k]), np.float64(motion[k])
        gap = previous_us >= 0 and now - previous_us > gap_us
        within = abs(value - target) <= tolerance
        short = now - previous_us <= min(BREAK_PART * (previous_us - start_us), MOST_BREAK_US)
        if inside and gap and within and short:
            gap = False
            bridged += 1
        elif inside and not gap:
            step_us = now - previous_us
            outside_us = max(outside_us + (-step_us if within else step_us), 0)
        if inside and (gap or outside_us > patience_us):
            return k, (
                False, start_us, last_in_us, -1, foot_us, foot_motion, foot_load, origin, load_origin, 0, bridged,
                last_motion, least_step,
            )  # fmt: skip
        if gap:
            foot_us, foot_motion, foot_load = -1, np.nan, np.nan
        previous_us = now
        if within and not inside:
            inside, start_us, origin, load_origin = True, now, moved, value
            outside_us, bridged = 0, 0
            last_motion, least_step = np.nan, np.inf
        if within:
            last_in_us = now
        if inside:
            if within:
                step = abs(moved - last_motion)
                if 0.0 < step < least_step:
                    least_step = step
                last_motion = moved
                _add(bins, (now - start_us) * 1e-6, value - load_origin, moved - origin)
                if temperature.size > 0 and not np.isnan(temperature[k]):
                    b = _bin((now - start_us) * 1e-6)
                    bins[b, TEMPERATURE] += temperature[k]
                    bins[b, N_TEMPERATURE] += 1.0
        elif abs(value) < foot or value * target < 0.0:
            foot_us, foot_motion, foot_load = now, moved, value
    return time_us.size, (
        inside, start_us, last_in_us, previous_us, foot_us, foot_motion, foot_load, origin, load_origin,
        outside_us, bridged, last_motion, least_step,
    )  # fmt: skip


@compiled
def _bin(t: float) -> int:
    """Bin of a time after the start of the hold [s]."""
    if t < FIRST_EDGE_S:
        return 0
    return min(int(np.floor(PER_DECADE * np.log10(t / FIRST_EDGE_S))) + 1, N_BINS - 1)


@compiled
def _add(bins: NDArray[np.float64], t: float, load: float, motion: float) -> None:
    b = _bin(t)
    bins[b, COUNT] += 1.0
    bins[b, TIME] += t
    bins[b, MOTION] += motion
    bins[b, MOTION2] += motion * motion
    bins[b, LOAD] += load
    bins[b, LOAD2] += load * load
