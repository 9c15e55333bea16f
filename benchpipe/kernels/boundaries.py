"""Find where cycles begin and end: two thresholds on a trigger signal.

A boundary is the first sample at or above ``high`` after one below ``low``: noise
smaller than ``high - low`` cannot make one. The state between two batches is five
numbers, so where a batch ends changes nothing.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled, compiled_scan, compiled_sums, inlined_sums
from benchpipe.kernels.intrinsics import larger, smaller

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]
CLOSED = 0
OPEN = 1
BLOCK = 16


class ScanState(NamedTuple):
    """Where the scan stands. ``start`` counts from the first sample of the buffer it goes with."""

    armed: bool
    open: bool
    start: int
    start_us: int
    segment: int


FRESH = ScanState(False, False, 0, 0, 1)


@compiled_scan(ScanState)
def find_boundaries(
    time_us: NDArray[np.int64],
    trigger: NDArray[np.float64],
    first: int,
    low: float,
    high: float,
    break_us: int,
    longest_us: int,
    state: ScanState,
) -> tuple[Whole, tuple[bool, bool, int, int, int]]:
    """Scan ``trigger[first:]`` for boundaries.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Rising times [µs].
    trigger : float array, shape (n,)
        Load or motion; finite.
    first : int
        First sample not scanned yet; samples before it belong to the open cycle.
    low, high : float
        Thresholds, in the trigger's unit.
    break_us : int
        A step longer than this ends the segment.
    longest_us : int
        A cycle still open after this is a stop: it ends as open.
    state : ScanState

    Returns
    -------
    events : int64 array, shape (k, 4)
        ``start, end, kind, segment``: the cycle has the samples ``start … end - 1``;
        a closed one ends by the crossing between ``end - 1`` and ``end``.
    state : ScanState
    """
    armed, is_open, start, start_us, segment = state.armed, state.open, state.start, state.start_us, state.segment
    n = time_us.size
    events = np.empty((n - first + 1, 4), np.int64)  # a sample ends one cycle at most; what is not used costs nothing
    count = 0
    k = first
    while k < n:
        if k > 0 and time_us[k] - time_us[k - 1] > break_us:
            if is_open:
                _put(events, count, start, k, OPEN, segment)
                count, segment = count + 1, segment + 1
            is_open = armed = False
        stretch = _next_break(time_us, k + 1, break_us)
        while k < stretch:
            if not armed:
                k = _next_below(trigger, k, stretch, low)
                armed = k < stretch
            else:
                k = _next_at_or_above(trigger, k, stretch, high)
            reached = min(k, stretch - 1)
            if is_open and time_us[reached] - start_us > longest_us:
                late = start + int(np.searchsorted(time_us[start : reached + 1], start_us + longest_us, "right"))
                _put(events, count, start, late, OPEN, segment)
                count, segment = count + 1, segment + 1
                is_open = False
            if k < stretch and armed and trigger[k] >= high:
                if is_open:
                    _put(events, count, start, k, CLOSED, segment)
                    count += 1
                armed, is_open, start, start_us = False, True, k, time_us[k]
        k = stretch
    return events[:count].copy(), (armed, is_open, start, start_us, segment)


class Bounds(NamedTuple):
    """Samples ``start … end - 1`` of each cycle, and the parts of the steps to both at which it was crossed."""

    start: Whole
    end: Whole
    start_part: Floats
    end_part: Floats
    closed: NDArray[np.bool_]
    segment: Whole


def bounds_of(events: Whole, trigger: Floats, level: float) -> Bounds:
    """Where in the steps the trigger crossed ``level``, for the events of :func:`find_boundaries`.

    Parameters
    ----------
    events : int64 array, shape (k, 4)
    trigger : float array, shape (n,)
    level : float
        The upper threshold, in the trigger's unit.

    Returns
    -------
    Bounds
        Arrays of shape (k,); the ``end_part`` of a cycle that did not close is 0: it ends at its last sample.
    """
    return Bounds(*_bounds(events, trigger, level))


@compiled
def _bounds(
    events: Whole, trigger: Floats, level: float
) -> tuple[Whole, Whole, Floats, Floats, NDArray[np.bool_], Whole]:
    count = len(events)
    start, end, segment = np.empty(count, np.int64), np.empty(count, np.int64), np.empty(count, np.int64)
    start_part, end_part = np.empty(count), np.empty(count)
    closed = np.empty(count, np.bool_)
    for c in range(count):
        start[c], end[c], closed[c], segment[c] = events[c, 0], events[c, 1], events[c, 2] == CLOSED, events[c, 3]
        start_part[c] = _crossing_part(trigger, start[c], level)
        end_part[c] = _crossing_part(trigger, end[c], level) if closed[c] else 0.0
    return start, end, start_part, end_part, closed, segment


@inlined_sums
def _crossing_part(trigger: Floats, at: int, level: float) -> float:
    """Part of the step to sample ``at`` at which ``level`` is crossed (0 to 1)."""
    before = np.float64(trigger[at - 1])
    step = np.float64(trigger[at]) - before
    part = (level - before) / step if step != 0.0 else 1.0
    return min(max(part, 0.0), 1.0)


@inlined_sums
def _put(events: Whole, count: int, start: int, end: int, kind: int, segment: int) -> None:
    events[count, 0], events[count, 1], events[count, 2], events[count, 3] = start, end, kind, segment


@compiled
def _next_break(time_us: Whole, first: int, break_us: int) -> int:
    """First sample from ``first`` that follows its neighbour by more than ``break_us``."""
    now, before = time_us[first:], time_us[first - 1 :]
    block = 256
    for j in range(0, now.size, block):
        size = min(block, now.size - j)
        here, last = now[j : j + size], before[j : j + size]
        signs = np.int64(0)  # negative as soon as one step is too long
        for i in range(size):
            signs |= break_us - (here[i] - last[i])
        if signs < 0:
            for i in range(size):
                if here[i] - last[i] > break_us:
                    return first + j + i
    return time_us.size


@compiled_sums
def _next_below(values: NDArray[np.float64], first: int, stop: int, level: float) -> int:
    k = first
    while k + BLOCK <= stop:
        low, block = values[k], values[k : k + BLOCK]
        for i in range(BLOCK):
            low = smaller(low, block[i])
        if low < level:
            break
        k += BLOCK
    while k < stop and values[k] >= level:
        k += 1
    return k


@compiled_sums
def _next_at_or_above(values: NDArray[np.float64], first: int, stop: int, level: float) -> int:
    k = first
    while k + BLOCK <= stop:
        high, block = values[k], values[k : k + BLOCK]
        for i in range(BLOCK):
            high = larger(high, block[i])
        if high >= level:
            break
        k += BLOCK
    while k < stop and values[k] < level:
        k += 1
    return k


def find_records(
    time_us: NDArray[np.int64], first: int, break_us: int, state: ScanState
) -> tuple[NDArray[np.int64], ScanState]:
    """Scan for breaks: where each stretch of the log without a gap is one cycle.

    Parameters and results are those of :func:`find_boundaries`.
    """
    breaks = np.flatnonzero(np.diff(time_us, prepend=time_us[:1]) > break_us)
    breaks = breaks[breaks >= first]
    bounds = [*([state.start] if state.open else []), *breaks.tolist()]
    if not bounds:
        return np.empty((0, 4), np.int64), state
    events = [[a, b, CLOSED, state.segment + i] for i, (a, b) in enumerate(pairwise(bounds))]
    state = ScanState(False, True, bounds[-1], int(time_us[bounds[-1]]), state.segment + len(events))
    return np.array(events, np.int64).reshape(-1, 4), state
