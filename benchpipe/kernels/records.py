"""What a stretch of samples holds: one loop, several, a part of one, or a loading ramp alone."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled
from benchpipe.kernels.read_only import read_only

RecordKind = Literal["loop", "several", "part", "ramp"]
LOW_PART, HIGH_PART = 0.32, 0.68  # of the record's own range: noise of a third of it crosses once
MOST_GAP = 0.25  # of the range, between the ends of a loop
RAMP_GAP = 0.5
ENDS = 100  # of a record's samples are averaged at either end, against noise
SHORTEST, LONGEST = 2.0 / 3.0, 1.75  # of the planned period: half a loop and two lie well beyond


def record_kind(trigger: NDArray[Any], length_s: float, planned_s: float) -> RecordKind:
    """Kind of a record, by the crossings of the controlled signal and by the planned period.

    Parameters
    ----------
    trigger : float array, shape (n,)
        Load or motion, whichever is controlled.
    length_s : float
        From the first sample to the last [s].
    planned_s : float
        Planned period [s]; NaN: none.

    Returns
    -------
    "loop", "several", "part" or "ramp"
        "loop" too where the signal does not move.

    Notes
    -----
    One loop crosses the middle of its range at most twice between two states, low and high, and ends near where it
    began. Definitions are this project's own, common practice, no source.
    """
    low, high = float(trigger.min()), float(trigger.max())
    span = high - low
    if not span > 0.0:
        return "loop"  # it stood still: another flag says so
    turns = int(_turns(trigger, 0, trigger.size))
    few = max(trigger.size // ENDS, 1)
    gap = float(np.mean(trigger[-few:], dtype=np.float64) - np.mean(trigger[:few], dtype=np.float64)) / span
    if turns > 2 or length_s > LONGEST * planned_s:
        return "several"
    if turns == 1 and gap > RAMP_GAP:
        return "ramp"
    return "part" if abs(gap) > MOST_GAP or length_s < SHORTEST * planned_s else "loop"


def turns(values: NDArray[Any], start: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.int64]:
    """How often a signal goes from the lower third of a stretch's range to the upper, or back.

    Parameters
    ----------
    values : float array, shape (n,)
        Finite.
    start, end : int64 arrays, shape (k,)
        Stretches ``start … end - 1``, of one sample at least.

    Returns
    -------
    int64 array, shape (k,)
        2 for a loop, whatever noise of a third of its range lies on it.
    """
    out = np.empty(start.size, np.int64)
    _each_turns(read_only(values), read_only(start), read_only(end), out)
    return out


@compiled
def _each_turns(values: NDArray[Any], start: NDArray[np.int64], end: NDArray[np.int64], out: NDArray[np.int64]) -> None:
    for c in range(start.size):
        out[c] = _turns(values, start[c], end[c])


@compiled
def _turns(values: NDArray[Any], first: int, end: int) -> int:
    least = most = np.float64(values[first])
    for k in range(first, end):
        least, most = min(least, np.float64(values[k])), max(most, np.float64(values[k]))
    low, high = least + LOW_PART * (most - least), least + HIGH_PART * (most - least)
    count, state = 0, 0
    for k in range(first, end):
        now = 1 if values[k] >= high else -1 if values[k] <= low else state
        if now == -state and state != 0:
            count += 1
        state = now
    return count
