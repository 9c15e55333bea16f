"""The log's time column → rising microseconds.

A clock that goes back inside a file is a restart (elapsed time) or rows out of order
(date and time). A restart is placed :data:`RESTART_PAUSE_US` after the last row, so
that no cycle can span it: how long the rig stood is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import TimeConfig
from benchpipe.units import find_unit

RESTART_PAUSE_US = 3_600_000_000


@dataclass(frozen=True)
class Placement:
    """Times of a batch. ``keep`` marks the rows that have a place on the axis."""

    time_us: NDArray[np.int64]
    keep: NDArray[np.bool_]
    restarts: int


class Clock:
    """Turns one file's times into its own rising axis, batch by batch."""

    def __init__(self, config: TimeConfig) -> None:
        self._config = config
        self._factor = 1e6 * (find_unit(config.unit).factor if config.kind == "elapsed" else 1.0)
        self.shift_us = 0
        self.last_us: int | None = None
        self.native_last_us: int | None = None

    def place(self, raw: NDArray[Any]) -> Placement:
        """Place the times of the next rows.

        Parameters
        ----------
        raw : array, shape (n,)
            As in :class:`~benchpipe.ingest.batch.RawBatch`.
        """
        native = self._native(raw)
        keep = np.ones(native.size, bool)
        if native.size == 0:
            return Placement(native, keep, 0)
        before = native[0] - 1 if self.native_last_us is None else self.native_last_us
        steps = np.diff(native, prepend=before)
        if (steps > 0).all():
            return self._done(native + self.shift_us, native, keep, 0)
        return self._place_uneven(native, keep)

    def _place_uneven(self, native: NDArray[np.int64], keep: NDArray[np.bool_]) -> Placement:
        placed = np.empty_like(native)
        restarts = 0
        last_native, last = self.native_last_us, self.last_us
        for i, now in enumerate(native.tolist()):
            if last_native is not None and last is not None:
                if now == last_native or (now < last_native and self._config.kind != "elapsed"):
                    keep[i] = False
                    placed[i] = last
                    continue
                if now < last_native:
                    self.shift_us = last + RESTART_PAUSE_US - now
                    restarts += 1
            placed[i] = now + self.shift_us
            last_native, last = now, int(placed[i])
        return self._done(placed, native, keep, restarts)

    def _done(
        self, placed: NDArray[np.int64], native: NDArray[np.int64], keep: NDArray[np.bool_], restarts: int
    ) -> Placement:
        if keep.any():
            last = int(np.flatnonzero(keep)[-1])
            self.last_us, self.native_last_us = int(placed[last]), int(native[last])
        return Placement(placed, keep, restarts)

    def _native(self, raw: NDArray[Any]) -> NDArray[np.int64]:
        if self._config.kind == "datetime":
            return raw.astype(np.int64)
        if self._config.kind == "sample":
            return np.rint(raw * (1e6 / self._config.sample_rate)).astype(np.int64)
        return np.rint(raw * self._factor).astype(np.int64)
