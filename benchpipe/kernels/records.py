"""What a record holds: one loop, several, a part of one, or a loading ramp alone."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

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

    Notes
    -----
    One loop crosses the middle of its range at most twice between two states, low and high, and ends near where it
    began. Definitions are this project's own, common practice, no source.
    """
    low, high = float(trigger.min()), float(trigger.max())
    span = high - low
    if not span > 0.0:
        return "loop"  # it stood still: another flag says so
    above, below = trigger >= low + HIGH_PART * span, trigger <= low + LOW_PART * span
    states = above.astype(np.int8)[above | below]
    turns = int(np.count_nonzero(np.diff(states)))
    few = max(trigger.size // ENDS, 1)
    gap = float(np.mean(trigger[-few:], dtype=np.float64) - np.mean(trigger[:few], dtype=np.float64)) / span
    if turns > 2 or length_s > LONGEST * planned_s:
        return "several"
    if turns == 1 and gap > RAMP_GAP:
        return "ramp"
    return "part" if abs(gap) > MOST_GAP or length_s < SHORTEST * planned_s else "loop"
