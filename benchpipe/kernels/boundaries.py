"""Find where cycles begin and end: two thresholds on a trigger signal.

A boundary is the first sample at or above ``high`` after one below ``low``: noise
smaller than ``high - low`` cannot make one. Samples that belong to no cycle from boundary to
boundary, but may hold an extreme, are an incomplete cycle of their own (a *lead*): from the first
sample of a segment that is not below ``low``, or from the first one that reaches ``high`` after a
stop. The state between two batches is seven numbers, so where a batch ends changes nothing.
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
LEAD = 2
BLOCK = 16


class ScanState(NamedTuple):
    """State of the scan between two batches.

    Attributes
    ----------
    armed : bool
        The trigger was below ``low`` since the last boundary.
    open : bool
        A cycle is open.
    start, start_us : int
        First sample of the open cycle, counted from the first sample of the buffer, and its time.
    segment : int
    lead : bool
        The open cycle is a lead. Where no cycle is open and the scan is not armed: the rig stopped
        there, and the next rise to ``high`` begins a lead.
    fresh : bool
        The next sample is the first of a segment.
    """

    armed: bool
    open: bool
    start: int
    start_us: int
    segment: int
    lead: bool
    fresh: bool


FRESH = ScanState(False, False, 0, 0, 1, False, False)
"""The state before samples whose past is not known."""


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
) -> tuple[Whole, tuple[bool, bool, int, int, int, bool, bool]]:
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
        a closed one ends by the crossing between ``end - 1`` and ``end``. An open one (kind OPEN)
        began by a crossing too, a lead (kind LEAD) begins with its first sample.
    state : ScanState
    """
    armed, is_open, start, start_us, segment = state.armed, state.open, state.start, state.start_us, state.segment
    lead, fresh = state.lead, state.fresh
    n = time_us.size
    events = np.empty((n - first + 1, 4), np.int64)  # a sample ends one cycle at most; what is not used costs nothing
    count = 0
    k = first
    while k < n:
        if k > 0 and time_us[k] - time_us[k - 1] > break_us:
            if is_open:
                _put(events, count, start, k, LEAD if lead else OPEN, segment)
                count, segment = count + 1, segment + 1
            armed, fresh = False, True
        if fresh:
            fresh = False
            is_open = lead = bool(trigger[k] >= low)
            start, start_us = k, time_us[k]
        stretch = _next_break(time_us, k + 1, break_us)
        while k < stretch:
            unarmed = not armed
            if not armed and lead and not is_open:
                k = _next_turn(trigger, k, stretch, low, high)
                if k < stretch and trigger[k] >= high:
                    is_open, start, start_us = True, k, time_us[k]
            stop = stretch
            if lead and is_open:  # leads may follow one another: none is searched for its end beyond the longest time
                over = start + int(np.searchsorted(time_us[start:stretch], start_us + longest_us, "right"))
                stop = min(over + 1, stretch)
            if not armed:
                k = _next_below(trigger, k, stop, low)
                armed = k < stop
            else:
                k = _next_at_or_above(trigger, k, stop, high)
            reached = min(k, stop - 1)
            if is_open and time_us[reached] - start_us > longest_us:
                late = start + int(np.searchsorted(time_us[start : reached + 1], start_us + longest_us, "right"))
                _put(events, count, start, late, LEAD if lead else OPEN, segment)
                count, segment = count + 1, segment + 1
                is_open, lead = False, True
                if unarmed:  # samples after the stop were not searched for a rise
                    k, armed = late, False
                    continue
            if k < stretch and armed and trigger[k] >= high:
                if is_open:
                    _put(events, count, start, k, LEAD if lead else CLOSED, segment)
                    count += 1
                armed, is_open, lead, start, start_us = False, True, False, k, time_us[k]
        k = stretch
    return events[:count].copy(), (armed, is_open, start, start_us, segment, lead, fresh)


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
        Arrays of shape (k,); the ``end_part`` of a cycle that did not close is 0: it ends at its last sample. The
        ``start_part`` of a lead is 1: it begins at its first sample.
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
        start_part[c] = _crossing_part(trigger, start[c], level) if events[c, 2] != LEAD else 1.0
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


@compiled
def _next_turn(values: NDArray[np.float64], first: int, stop: int, low: float, high: float) -> int:
    """First sample from ``first`` that is below ``low``, or reaches ``high`` from below it."""
    for k in range(max(first, 1), stop):
        if values[k] < low or (values[k - 1] < high and values[k] >= high):
            return k
    return stop


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
    began_us = int(time_us[bounds[-1]])
    state = FRESH._replace(open=True, start=bounds[-1], start_us=began_us, segment=state.segment + len(events))
    return np.array(events, np.int64).reshape(-1, 4), state
