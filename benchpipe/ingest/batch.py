"""What every reader yields: rows of raw numbers, and the rows it could not take.

A reader is a function ``read(path, rig) -> Iterator[RawBatch]``. It gives every row of
the file exactly once, in order, as a row of numbers or as a reject, and converts
nothing: scale, offset, unit and clock belong to :mod:`benchpipe.ingest.calibrate`
and :mod:`benchpipe.ingest.clock`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig

TEXT_KEPT = 120


@dataclass(frozen=True)
class Reject:
    """A stretch of rows that was not taken."""

    row: int
    rows: int
    reason: str
    text: str | None = None

    def __post_init__(self) -> None:
        if self.text is not None and len(self.text) > TEXT_KEPT:
            object.__setattr__(self, "text", self.text[: TEXT_KEPT - 1] + "…")


@dataclass(frozen=True)
class RawBatch:
    """Rows as they stand in the log.

    Attributes
    ----------
    row : int64 array, shape (n,)
        Line number (text) or row from 1 (table) of each row taken.
    time : array, shape (n,)
        float64 in the log's time unit; int64 [µs] for ``kind = "datetime"``;
        int64 ordinal from 0 for ``kind = "sample"``.
    channels : dict of float64 arrays, shape (n,)
        By channel name; NaN where the log has no value.
    rejects : list of Reject
    """

    row: NDArray[np.int64]
    time: NDArray[np.float64] | NDArray[np.int64]
    channels: dict[str, NDArray[np.float64]]
    rejects: list[Reject] = field(default_factory=list)


Reader = Callable[[Path, IO[bytes], RigConfig], Iterator[RawBatch]]


def needed_columns(rig: RigConfig) -> dict[str, str | int]:
    """Log column of each thing that is read: ``"time"`` and the channels by name."""
    needed: dict[str, str | int] = {}
    if rig.time.column is not None and rig.time.kind != "sample":
        needed["time"] = rig.time.column
    needed.update({channel.name: channel.column for channel in rig.channel})
    return needed
