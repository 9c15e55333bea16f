"""Find where cycles begin and end: two thresholds on a trigger signal.

A boundary is the first sample at or above ``high`` after one below ``low``: noise
smaller than ``high - low`` cannot make one. The state between two batches is five
numbers, so where a batch ends changes nothing.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

CLOSED = 0
OPEN = 1


class ScanState(NamedTuple):
    """Where the scan stands. ``start`` counts from the first sample of the buffer it goes with."""

    armed: bool
    open: bool
    start: int
    start_us: int
    segment: int


FRESH = ScanState(False, False, 0, 0, 1)


@compiled
def find_boundaries(
    time_us: NDArray[np.int64],
    trigger: NDArray[np.float64],
    first: int,
    low: float,
    high: float,
    break_us: int,
    longest_us: int,
    state: ScanState,
) -> tuple[NDArray[np.int64], ScanState]:
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
    events = np.empty((64, 4), np.int64)
    n = 0
    for k in range(first, time_us.size):
        now = time_us[k]
        kind = -1
        if k > 0 and now - time_us[k - 1] > break_us:
            if is_open:
                kind = OPEN
            is_open = False
            armed = False
        elif is_open and now - start_us > longest_us:
            kind = OPEN
            is_open = False
        value = trigger[k]
        begin = False
        if value < low:
            armed = True
        elif armed and value >= high:
            armed = False
            begin = True
            if is_open:
                kind = CLOSED
        if kind >= 0:
            if n == events.shape[0]:
                grown = np.empty((2 * n, 4), np.int64)
                grown[:n] = events
                events = grown
            events[n, 0] = start
            events[n, 1] = k
            events[n, 2] = kind
            events[n, 3] = segment
            n += 1
            if kind == OPEN:
                segment += 1
        if begin:
            is_open = True
            start = k
            start_us = now
    return events[:n], ScanState(armed, is_open, start, start_us, segment)
