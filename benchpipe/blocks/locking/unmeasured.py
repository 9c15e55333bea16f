"""Changes of the mode in rows without load or motion: they took place, and nothing of them was measured."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.kernels.locking import AT, BOUNCES, FRESH, TO, ModeState, find_changes
from benchpipe.kernels.read_only import read_only

NOT_MEASURED = "not measured"
WHY = "no row after the change has both load and motion"
FIGURES = (
    "time_to_hold_s", "time_to_hold_u_s", "time_to_free_s", "time_to_free_u_s", "slip", "slip_u", "motion_held",
    "asked", "lock_error", "lock_error_u", "travel", "peak_load",
)  # fmt: skip


class ModeScan:
    """Takes times and modes of all rows of a log, batch by batch, and finds each change of the mode."""

    def __init__(self, block: LockingBlock, gap_us: int) -> None:
        self._block, self._gap_us = block, gap_us
        self._state: ModeState = FRESH
        self._found: list[tuple[int, bool, int]] = []

    def feed(self, time_us: NDArray[np.int64], mode: NDArray[Any]) -> None:
        """Take rows that follow the last ones, those without load or motion among them."""
        block = self._block
        found, self._state = find_changes(
            read_only(time_us), read_only(mode), float(block.locked), float(block.unlocked),
            round(1e6 * block.bounce_time), self._gap_us,
            self._state,
        )  # fmt: skip
        self._found += [(int(one[AT]), bool(one[TO]), int(one[BOUNCES])) for one in found]

    def with_unmeasured(self, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Measured changes and, without figures, those that none of them is; numbered in their order."""
        starts = np.array([row["start_us"] for row in rows], np.int64)
        until = [at_us for at_us, _, _ in self._found[1:]] + [np.iinfo(np.int64).max]
        more = []
        for (at_us, locks, bounces), end_us in zip(self._found, until, strict=False):  # without changes there is no end
            to = "locked" if locks else "unlocked"
            here = range(int(np.searchsorted(starts, at_us)), int(np.searchsorted(starts, end_us)))
            if not any(rows[k]["to"] == to for k in here):
                more.append(self._row(at_us, to, bounces))
        ordered = sorted([*rows, *more], key=lambda row: int(row["start_us"]))
        return [row | {"lock_change": number} for number, row in enumerate(ordered, 1)]

    def _row(self, at_us: int, to: str, bounces: int) -> dict[str, Any]:
        return {
            "block": self._block.name, "start_us": at_us, "duration_s": 0.0, "to": to, "samples": 0,
            "bounces": bounces, "outcome": NOT_MEASURED, "lock_failed": None, "unlock_failed": None, "remark": WHY,
            **dict.fromkeys(FIGURES, np.nan),
        }  # fmt: skip
