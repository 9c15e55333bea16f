"""Find proofs in a load: rises from a settling load to a proof load, or most of the way to it.

Loads here are turned so that the proof load is positive. A proof is any rise above the settling
band that reaches the load's band, and any that begins from a stay at the settling load and gets
as far as ``attempt`` without reaching it: a proof that failed on the way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled, compiled_scan

# Columns of what is found: times [us] of the start and the return, length of the stay before [us], 1 if gapped.
START, RETURN, STAY, GAPPED = range(4)
OUTER = 2.0  # a stay at the settling load ends so many bands from it: noise of one band ends none


@dataclass(frozen=True)
class ProofTargets:
    """What a proof is asked to be.

    Attributes
    ----------
    load, settling, band, attempt : float
        Loads; the first three of the plan, ``attempt`` where a rise becomes a proof.
    hold_s, settling_s : float
        Times asked for at the load, and at the settling load before and after [s].
    drop, drop_s : float
        A fall of the load by ``drop`` in ``drop_s`` [s] is sudden.
    end : float
        End of the load channel's range, turned like the load; infinite where not known.
    gap_s : float
        A longer step between samples is a gap [s].
    """

    load: float
    settling: float
    band: float
    attempt: float
    hold_s: float
    settling_s: float
    drop: float
    drop_s: float
    end: float
    gap_s: float


class AttemptState(NamedTuple):
    """State of the scan. Times in µs, -1 where not known."""

    inside: bool
    start_us: int
    stay_us: int
    stay_from_us: int
    previous_us: int
    peak: float
    gapped: bool


FRESH = AttemptState(False, -1, 0, -1, -1, -np.inf, False)


@compiled_scan(AttemptState)
def find_attempts(
    time_us: NDArray[np.int64],
    load: NDArray[np.float64],
    way: float,
    target: float,
    settling: float,
    band: float,
    attempt: float,
    least_stay_us: int,
    gap_us: int,
    state: AttemptState,
) -> tuple[NDArray[np.int64], tuple[bool, int, int, int, int, float, bool]]:
    """Scan samples for proofs that come back to the settling load in them.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Rising times [µs].
    load : float array, shape (n,)
        As logged, not turned [N·m or N].
    way : float
        1, or -1 where the proof load is negative; all other loads are turned by it.
    target, settling, band, attempt : float
        See :class:`ProofTargets`.
    least_stay_us : int
        Shortest stay at the settling load from which a rise that does not reach the load is a proof.
    gap_us : int
        A longer step is a gap [µs].
    state : AttemptState

    Returns
    -------
    found : int64 array, shape (k, 4)
        Columns START, RETURN, STAY, GAPPED.
    state : AttemptState
        For the samples that follow: where they are cut changes nothing.
    """
    inside, start_us, stay_us, stay_from, previous, peak, gapped = state
    found = np.empty((time_us.size, 4), np.int64)
    count = 0
    for k in range(time_us.size):
        now, value = time_us[k], way * np.float64(load[k])
        gap = previous >= 0 and now - previous > gap_us
        if inside:
            gapped = gapped or gap
            if value <= settling + band:
                if peak >= target - band or (peak >= attempt and stay_us >= least_stay_us):
                    found[count, START], found[count, RETURN] = start_us, now
                    found[count, STAY], found[count, GAPPED] = stay_us, gapped
                    count += 1
                inside, stay_from = False, -1
            else:
                peak = max(peak, value)
        elif gap:
            stay_from = -1
        if not inside:
            if value > settling + OUTER * band:
                inside, peak, gapped = True, value, gap or previous < 0
                start_us = now if gapped else previous
                stay_us = start_us - stay_from if stay_from >= 0 else 0
            elif abs(value - settling) <= band:
                stay_from = now if stay_from < 0 else stay_from
            elif value < settling - OUTER * band:
                stay_from = -1
        previous = now
    return found[:count].copy(), (inside, start_us, stay_us, stay_from, previous, peak, gapped)


@compiled
def first_fall(
    time_s: NDArray[np.float64], load: NDArray[np.float64], first: int, end: int, drop: float, drop_s: float
) -> tuple[int, int]:
    """First fall by ``drop`` within ``drop_s``, in samples ``first … end - 1``; (-1, -1) where there is none.

    Parameters
    ----------
    time_s, load : float64 arrays, shape (n,)
        Rising times [s], and the load turned so that the proof load is positive [N·m or N].
    first, end : int
        The samples are ``first … end - 1``.
    drop : float
        In the unit of the load, > 0.
    drop_s : float
        [s]

    Returns
    -------
    top, bottom : int
        The largest load of the ``drop_s`` before, and the first sample that lies ``drop`` below it.
    """
    top = first
    for k in range(first + 1, end):
        if time_s[k] - time_s[top] > drop_s:
            top += 1
            while time_s[k] - time_s[top] > drop_s:
                top += 1
            for i in range(top, k + 1):
                if load[i] >= load[top]:
                    top = i
        if load[k] >= load[top]:
            top = k
        elif load[top] - load[k] >= drop:
            return top, k
    return -1, -1


@compiled
def longest_still(motion: NDArray[np.float64], first: int, end: int) -> int:
    """Samples of the longest run of exactly equal values in ``first … end - 1``.

    Parameters
    ----------
    motion : float64 array, shape (n,)
        In any unit.
    first, end : int
        The samples are ``first … end - 1``.

    Returns
    -------
    int
        0 where there are no samples.
    """
    longest, run = 0, 0
    for k in range(first, end):
        run = run + 1 if k > first and motion[k] == motion[k - 1] else 1
        longest = max(longest, run)
    return longest
