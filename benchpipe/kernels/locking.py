"""Lock changes: where the mode of the joint changes, and whether it then holds or runs free.

The joint holds where it carries a load and, less the elastic part of the motion, stays within
``still`` for ``still_s``. Definitions are this project's own, common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled, compiled_scan

# Columns of the changes found: time [us], 1 for a lock and 0 for an unlock, bounces, 1 if the time is sure.
AT, TO, BOUNCES, SURE = range(4)
HELD, FAILED, NOT_TESTED = range(3)  # of an unlock, HELD is: runs free
Floats = NDArray[np.float64]


class ModeState(NamedTuple):
    """State of the scan: mode 1, 0, or -1 where not known; times in µs."""

    mode: int
    known_us: int
    changing: bool
    change_us: int
    sure: bool
    shown: int
    shown_us: int
    bounces: int
    glitches: int


FRESH = ModeState(-1, -1, False, -1, False, -1, -1, 0, 0)


@compiled_scan(ModeState)
def find_changes(
    time_us: NDArray[np.int64],
    mode: NDArray[np.float32],
    locked: float,
    unlocked: float,
    bounce_us: int,
    gap_us: int,
    state: ModeState,
) -> tuple[NDArray[np.int64], tuple[int, int, bool, int, bool, int, int, int, int]]:
    """Scan samples for changes of the mode that have stood for ``bounce_us``.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Rising times [µs].
    mode : float array, shape (n,)
        Values other than ``locked`` and ``unlocked``, NaN too, say nothing.
    locked, unlocked : float
        What the channel shows in the two modes.
    bounce_us : int
        A value that lasts a shorter time is a bounce; a bounce without a change is a glitch.
    gap_us : int
        A change after a longer time without a known value has no sure time.
    state : ModeState

    Returns
    -------
    found : int64 array, shape (k, 4)
        Columns AT (first sample that shows the new mode), TO, BOUNCES, SURE.
    state : ModeState
        For the samples that follow: where they are cut changes nothing.
    """
    now_mode, known, changing, change_us, sure, shown, shown_us, bounces, glitches = state
    found = np.empty((time_us.size, 4), np.int64)
    count = 0
    for k in range(time_us.size):
        value = mode[k]
        if value == locked:
            here = 1
        elif value == unlocked:
            here = 0
        else:
            continue
        now = time_us[k]
        if now_mode < 0:
            now_mode = here
        elif not changing:
            if here != now_mode:
                changing, change_us, sure = True, now, now - known <= gap_us
                shown, shown_us, bounces = here, now, 0
        elif here != shown:
            shown, shown_us = here, now
            bounces += 1 if here == now_mode else 0
        if changing and now - shown_us >= bounce_us:
            if shown == now_mode:
                glitches += 1
            else:
                found[count, AT], found[count, TO] = change_us, shown
                found[count, BOUNCES], found[count, SURE] = bounces, sure
                count += 1
                now_mode = shown
            changing = False
        known = now
    after = (now_mode, known, changing, change_us, sure, shown, shown_us, bounces, glitches)
    return found[:count].copy(), after


@compiled
def measure_lock(
    time_s: Floats, load: Floats, motion: Floats, compliance: float, carry: float, still: float, still_s: float
) -> tuple[int, float, float, float, float, float]:
    """Measure a lock from its first sample on.

    Parameters
    ----------
    time_s, load, motion : float64 arrays, shape (n,), n >= 1
        Samples from the change of the mode to the end of the time it has: s, N·m or N, deg or mm.
    compliance : float
        Motion per load of the locked joint; it is taken off the motion. 0: nothing is.
    carry, still, still_s : float
        Load it must carry, and how little it may move in how long [s].

    Returns
    -------
    outcome : int
        HELD, FAILED (it moves at the end, and never held) or NOT_TESTED (no load to hold, and it does not move).
    held_s : float
        Time from the change until it moves no more; NaN unless HELD, like the two that follow.
    held_at, held_sd : float
        Mean motion and its standard deviation over the last ``still_s`` before it is known to hold.
    travel, peak : float
        Largest motion since the change, and largest load in size.
    """
    n = time_s.size
    free: Floats = np.empty(n)
    for i in range(n):  # one by one, like the sums below: numba compiles that in a third of the time
        free[i] = motion[i] - compliance * load[i]
    start, low, high, travel, peak = 0, free[0], free[0], 0.0, 0.0
    for i in range(n):
        low, high = min(low, free[i]), max(high, free[i])
        if high - low > still:
            start, low, high = i, free[i], free[i]
        travel, peak = max(travel, abs(free[i] - free[0])), max(peak, abs(load[i]))
        if time_s[i] - time_s[start] >= still_s and abs(load[i]) >= carry:
            first = i
            while first > start and time_s[i] - time_s[first - 1] <= still_s:
                first -= 1
            size, total, squares = i + 1 - first, 0.0, 0.0
            for k in range(first, i + 1):
                total += free[k]
            mean = total / size
            for k in range(first, i + 1):
                squares += (free[k] - mean) * (free[k] - mean)
            since = i
            while since > 0 and abs(free[since - 1] - mean) <= 0.5 * still:
                since -= 1
            return HELD, time_s[since] - time_s[0], mean, np.sqrt(squares / size), travel, peak
    moving = time_s[n - 1] - time_s[start] < still_s and travel > still
    return FAILED if moving else NOT_TESTED, np.nan, np.nan, np.nan, travel, peak


@compiled
def measure_unlock(
    time_s: Floats, load: Floats, motion: Floats, carry: float, still: float, still_s: float
) -> tuple[int, float, float, float]:
    """Measure an unlock from its first sample on; parameters as for :func:`measure_lock`.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        From the change on [s], rising.
    load, motion : float64 arrays, shape (n,)
        N·m or N, and deg or mm.
    carry, still, still_s : float
        As for :func:`measure_lock`: in the units of load, motion and s.

    Returns
    -------
    outcome : int
        HELD: it moved by more than ``still`` under less than ``carry``. FAILED: at the end it carries a load and
        stands. NOT_TESTED: neither.
    free_s : float
        Time from the change until the load stays below ``carry`` for ``still_s``; NaN unless HELD.
    travel, peak : float
        As for a lock.
    """
    n = time_s.size
    start, low, high, travel, peak = 0, motion[0], motion[0], 0.0, 0.0
    below, free, moved = -1, -1, False
    for i in range(n):
        low, high = min(low, motion[i]), max(high, motion[i])
        if high - low > still:
            start, low, high = i, motion[i], motion[i]
        way = abs(motion[i] - motion[0])
        travel, peak = max(travel, way), max(peak, abs(load[i]))
        if abs(load[i]) >= carry:
            below = -1
            continue
        below = i if below < 0 else below
        moved = moved or way > still
        if free < 0 and time_s[i] - time_s[below] >= still_s:
            free = below
    if free >= 0 and moved:
        return HELD, time_s[free] - time_s[0], travel, peak
    stands = time_s[n - 1] - time_s[start] >= still_s
    failed = stands and abs(load[n - 1]) >= carry
    return FAILED if failed else NOT_TESTED, np.nan, travel, peak
