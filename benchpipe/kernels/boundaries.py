"""Find where cycles begin and end: two thresholds on a trigger signal.

A boundary is the first sample at or above ``high`` after one below ``low``: noise
smaller than ``high - low`` cannot make one. Each sample of a log lies in one *row*. A row that runs from boundary
to boundary is a cycle. Samples that belong to none, but may hold an extreme, are an incomplete cycle of their own
(a *lead*): from the first sample of a segment that is not below ``low``, or from the first one that reaches
``high`` after a stop. All others lie *between* cycles: before the first rise, after a stop. The state between two
batches is five numbers, so where a batch ends changes nothing.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled, compiled_scan, compiled_sums, deferred, inlined_sums
from benchpipe.kernels.read_only import read_only

larger, smaller = deferred("benchpipe.kernels.intrinsics", "larger", "smaller")

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]
# Kinds of rows; while it lasts, a cycle is OPEN.
CLOSED = 0
OPEN = 1
LEAD = 2
BETWEEN = 3
NO_ROW = -1
BLOCK = 16


class ScanState(NamedTuple):
    """State of the scan between two batches.

    Attributes
    ----------
    armed : bool
        The trigger was below ``low`` since the last boundary. All of a row between cycles is armed, or none of it.
    row : int
        Kind of the row that has begun: OPEN, LEAD or BETWEEN; NO_ROW while what came before is not known.
    start : int
        First sample of that row, counted from the first sample of the buffer.
    segment : int
    fresh : bool
        The next sample is the first of a segment.
    """

    armed: bool
    row: int
    start: int
    segment: int
    fresh: bool


FRESH = ScanState(False, NO_ROW, 0, 1, False)
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
) -> tuple[Whole, tuple[bool, int, int, int, bool]]:
    """Scan ``trigger[first:]`` for boundaries.

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Rising times [µs].
    trigger : float array, shape (n,)
        Load or motion; finite.
    first : int
        First sample not scanned yet; samples before it belong to the row that has begun.
    low, high : float
        Thresholds, in the trigger's unit.
    break_us : int
        A step longer than this ends the segment.
    longest_us : int
        A cycle still open after this is a stop: it ends as open. No other row is longer either.
    state : ScanState

    Returns
    -------
    events : int64 array, shape (k, 4)
        ``start, end, kind, segment``: the row has the samples ``start … end - 1``;
        a closed one ends by the crossing between ``end - 1`` and ``end``. An open one (kind OPEN)
        began by a crossing too, all others begin with their first sample.
    state : ScanState
    """
    armed, row, start, segment, fresh = state.armed, state.row, state.start, state.segment, state.fresh
    n = time_us.size
    events = np.empty((n - first + 1, 4), np.int64)  # a sample ends one row at most; what is not used costs nothing
    count = 0
    k = max(first, start) if row == BETWEEN else first
    while k < n:
        if k > 0 and time_us[k] - time_us[k - 1] > break_us:
            if row != NO_ROW and start < k:
                _put(events, count, start, k, row, segment)
                count += 1
                segment += row != BETWEEN
            fresh = True
        if fresh:
            fresh, start, armed = False, k, bool(trigger[k] < low)
            row = BETWEEN if armed else LEAD
        stretch = _next_break(time_us, k + 1, break_us)
        while k < stretch:
            stop = stretch
            if row in (LEAD, BETWEEN):  # many may follow one another: none is searched beyond the longest time
                stop = start + int(np.searchsorted(time_us[start:stretch], time_us[start] + longest_us, "right"))
            if row == BETWEEN and not armed:
                found = _next_turn(trigger, k, stop, low, high)
            elif armed:
                found = _next_at_or_above(trigger, k, stop, high)
            else:
                found = _next_below(trigger, k, stop, low)
            if row == OPEN and time_us[min(found, stretch - 1)] - time_us[start] > longest_us:
                found = start + int(np.searchsorted(time_us[start:stretch], time_us[start] + longest_us, "right"))
                stop = found
            k = found
            if k == stretch:
                break
            ends = k == stop  # by its length
            rises = not ends and trigger[k] >= high
            if row == BETWEEN or ends or (rises and row != NO_ROW):
                if start < k:
                    _put(events, count, start, k, CLOSED if row == OPEN and rises else row, segment)
                    count += 1
                segment += ends and row != BETWEEN
                start = k
            if ends:
                row = BETWEEN
            elif rises:
                row, start, armed = OPEN if armed else LEAD, k, False
            else:
                armed = True
    return events[:count].copy(), (armed, row, start, segment, fresh)


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
        ``start, end, kind, segment`` of each row.
    trigger : float array, shape (n,)
        Load or motion; finite.
    level : float
        The upper threshold, in the trigger's unit.

    Returns
    -------
    Bounds
        Arrays of shape (k,); the ``end_part`` of a row that did not close is 0: it ends at its last sample. The
        ``start_part`` of one that no crossing began is 1: it begins at its first sample.
    """
    return Bounds(*_bounds(read_only(events), read_only(trigger), level))


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
        start_part[c] = _crossing_part(trigger, start[c], level) if events[c, 2] < LEAD else 1.0
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

    Parameters
    ----------
    time_us : int64 array, shape (n,)
        Rising times [µs].
    first : int
        First sample not scanned yet.
    break_us : int
        A step longer than this is a break [µs].
    state : ScanState

    Returns
    -------
    events : int64 array, shape (k, 4)
        ``start, end, kind, segment``, all closed and each a segment of its own.
    state : ScanState
    """
    breaks = np.flatnonzero(np.diff(time_us, prepend=time_us[:1]) > break_us)
    breaks = breaks[breaks >= first]
    bounds = [*([state.start] if state.row != NO_ROW else []), *breaks.tolist()]
    if not bounds:
        return np.empty((0, 4), np.int64), state
    events = [[a, b, CLOSED, state.segment + i] for i, (a, b) in enumerate(pairwise(bounds))]
    state = FRESH._replace(row=OPEN, start=bounds[-1], segment=state.segment + len(events))
    return np.array(events, np.int64).reshape(-1, 4), state
