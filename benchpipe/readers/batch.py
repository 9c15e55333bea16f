"""Result of every reader: rows of raw numbers, and rejected rows.

A reader is a function ``read(path, rig) -> Iterator[RawBatch]``. It gives every row of
the file exactly once, in order, as a row of numbers or as a reject, and converts
nothing: scale, offset, unit and clock belong to :mod:`benchpipe.ingest.calibrate`
and :mod:`benchpipe.ingest.clock`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig

if TYPE_CHECKING:
    from benchpipe.readers.text_state import TextState

TEXT_KEPT = 120


@dataclass(frozen=True, slots=True)
class Reject:
    """A stretch of rows that was not taken."""

    row: int
    rows: int
    reason: str
    text: str | None = None

    def __post_init__(self) -> None:
        if self.text is not None and len(self.text) > TEXT_KEPT:
            object.__setattr__(self, "text", self.text[: TEXT_KEPT - 1] + "…")


def stretches(row: NDArray[np.int64], reason: str) -> list[Reject]:
    """Rejects of rows that share a reason, those that follow one another together."""
    ends = np.flatnonzero(np.diff(row, append=-1) != 1)
    starts = np.concatenate(([0], ends[:-1] + 1))
    return [Reject(int(row[a]), int(b - a) + 1, reason) for a, b in zip(starts, ends, strict=True)] if row.size else []


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
    state : TextState, optional
        What a reader of text needs to go on after this batch when the log has grown.
    tail : bool
        The rejects may change when the log grows: a half-written line. Such a batch has no rows.
    spare : bool
        The rows end in a separator that their header lacks.
    """

    row: NDArray[np.int64]
    time: NDArray[np.float64] | NDArray[np.int64]
    channels: dict[str, NDArray[np.float64]]
    rejects: list[Reject] = field(default_factory=list)
    state: TextState | None = None
    tail: bool = False
    spare: bool = False


Reader = Callable[[Path, IO[bytes], RigConfig], Iterator[RawBatch]]


def needed_columns(rig: RigConfig) -> dict[str, str | int]:
    """Log column of each thing that is read: ``"date"``, ``"time"`` where there are any; the channels by name."""
    needed: dict[str, str | int] = {}
    if rig.time.column is not None and rig.time.kind != "sample":
        if rig.time.date_column is not None:
            needed["date"] = rig.time.date_column
        needed["time"] = rig.time.column
    needed.update({channel.name: channel.column for channel in rig.channel})
    return needed


def missing_texts(rig: RigConfig, name: str) -> tuple[str, ...]:
    """What stands for "no value" in a channel (or ``"time"``) of the log; a number as Python writes it."""
    own = next((channel.missing for channel in rig.channel if channel.name == name), ())
    return tuple(_plain(text, rig.log.decimal, rig.log.thousands) for text in (*own, *rig.log.missing))


@lru_cache(maxsize=1024)
def _plain(text: str, decimal: str, thousands: str) -> str:
    """A number as the log writes it (``"-9.999,0"``) as a plain one; any other text as it is."""
    group = {" ": "[ \u00a0\u202f\u2009]", "'": "['\u2019]"}.get(thousands, re.escape(thousands))
    whole = rf"(?:\d{{1,3}}(?:{group}\d{{3}})+|\d+)" if thousands else r"\d+"
    point = re.escape(decimal)
    form = rf"[-+\u2212]?(?:{whole}(?:{point}\d*)?|{point}\d+)(?:[eE][-+]?\d+)?"
    if re.fullmatch(form, text.strip(), re.ASCII) is None:
        return text
    plain = re.sub(group, "", text.strip()) if thousands else text.strip()
    return plain.replace("\u2212", "-").replace(decimal, ".")


def is_number(text: str) -> bool:
    """Whether a text that stands for no value is a number, and so compared as one."""
    try:
        return bool(np.isfinite(float(text)))
    except ValueError:
        return False
