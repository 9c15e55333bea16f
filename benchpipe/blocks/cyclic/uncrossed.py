"""Cycles that were not found: load or motion goes to and fro without crossing both thresholds.

A specimen that gives way while the rig moves on, a load that slips above or below its thresholds: nothing begins or
ends a cycle there, and a limit that no cycle may break would be met by not looking. A swing to and fro over at least
half of the last cycle's range is a cycle that was missed. A rig that stopped, was moved once by hand or rang out
shows fewer turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.cycles import CycleRows
from benchpipe.kernels.loops import FIELD

LEAST_PART = 0.5  # of the last closed cycle's range: half of what is left when noise and fading are allowed for
LEAST_CYCLES = 2  # in a row: a cycle that a stop cut, or a start, has one


@dataclass(frozen=True)
class LastRanges:
    """Range of load and of motion of the last closed cycle; None before the first."""

    load: float | None = None
    motion: float | None = None


def uncrossed_cycles(rows: CycleRows, last: LastRanges) -> tuple[NDArray[np.int64], LastRanges]:
    """Cycles in each row that crossed no threshold, and the ranges to go on with.

    Parameters
    ----------
    rows : CycleRows
        In order; k of them.
    last : LastRanges
        Of the last closed cycle before them.

    Returns
    -------
    cycles : int64 array, shape (k,)
        Those of a closed cycle are besides itself.
    last : LastRanges
    """
    cycles, after = np.zeros(len(rows), np.int64), []
    for before, high, low, turned in (
        (last.load, "peak_load", "valley_load", rows.load_turns),
        (last.motion, "motion_max", "motion_min", rows.motion_turns),
    ):
        span = rows.measures[:, FIELD[high]] - rows.measures[:, FIELD[low]]
        known = np.concatenate(([np.inf if before is None else before], span[rows.closed]))
        usual = known[np.cumsum(rows.closed) - rows.closed]
        whole = (turned + rows.closed) // 2  # one that closed ends just before its last turn
        cycles = np.maximum(cycles, np.where(span >= LEAST_PART * usual, whole, 0))
        after.append(float(known[-1]) if np.isfinite(known[-1]) else None)
    cycles[cycles < LEAST_CYCLES] = 0
    cycles[rows.closed & (cycles > 0)] -= 1
    return cycles, LastRanges(*after)
