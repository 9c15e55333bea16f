"""Copies of a dated log in the same time: the same rows in the same rhythm, the clock moved by less than its length.

A log is such a copy of another where all its rows are the other's first ones. Both lie in the same time
(:func:`at_once`), so that its values need not tell it from a machine that repeats itself.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest.readback import rows_until
from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.store.manifest import Source
from benchpipe.store.run_store import RunStore

ROWS = 256  # that differ from the row before: so many must be alike
AT_ONCE = 1 << 12
FARTHEST_US = 1 << 62
IsCopy = Callable[[Source, Source], bool]


def at_once(one: Source, other: Source, logs: list[Source], gap_us: int) -> bool:
    """Whether two logs that are alike lie in the same time, and the first does not go on where any log ended."""
    first, last = one.first_us or 0, one.last_us or 0
    goes_on = any(0 < first - (log.last_us or 0) <= gap_us for log in logs)
    return not goes_on and first <= (other.last_us or 0) and (other.first_us or 0) <= last


class Beginning:
    """The first rows of a log that differ from the row before, and what they are known by."""

    def __init__(self) -> None:
        self._kept: list[Rows] = []
        self._count = 0
        self._first_us = 0
        self._last: Rows | None = None
        self.sha256: str | None = None

    def add(self, rows: Rows) -> None:
        """Add the next rows of the log."""
        for start in range(0, len(rows), AT_ONCE):
            if self.sha256 is not None:
                return
            self._add(rows.part(slice(start, start + AT_ONCE)))

    def _add(self, rows: Rows) -> None:
        if self._last is None:
            self._first_us = int(rows.time_us[0])
        moved = _moved(rows, self._last)[: ROWS - self._count]
        self._kept.append(rows.part(moved))
        self._count += moved.size
        self._last = rows.part(slice(-1, None))
        if self._count == ROWS:
            self.sha256 = _hash(joined(self._kept), self._first_us)


def _moved(rows: Rows, before: Rows | None) -> NDArray[np.intp]:
    """Places of rows that differ from the row before; not of the first row of a log."""
    whole = rows if before is None else joined([before, rows])
    differs = ~equal_rows(whole.part(slice(1, None)), whole.part(slice(0, -1)))
    return np.flatnonzero(differs) + (before is None)


def _hash(rows: Rows, first_us: int) -> str:
    found = hashlib.sha256((rows.time_us - first_us).tobytes())
    for name, values in rows.values.items():
        found.update(name.encode())
        found.update((values + np.float32(0.0)).tobytes())  # minus zero is zero
    return found.hexdigest()


def is_copy(store: RunStore, one: Source, other: Source) -> bool:
    """Whether all rows of ``one`` are the first of ``other``, at times moved by one length."""
    shift = (other.first_us or 0) - (one.first_us or 0)
    theirs = _pieces(rows_until(store, other, FARTHEST_US))
    for rows in rows_until(store, one, FARTHEST_US):
        same = theirs(len(rows))
        if same is None or not (rows.time_us + shift == same.time_us).all() or not equal_rows(rows, same).all():
            return False
    return True


def _pieces(stream: Iterator[Rows]) -> Callable[[int], Rows | None]:
    """Give so many of the next rows of a stream; None where there are no more."""
    waiting: list[Rows] = []

    def take(count: int) -> Rows | None:
        nonlocal waiting
        while sum(map(len, waiting)) < count:
            piece = next(stream, None)
            if piece is None:
                return None
            waiting.append(piece)
        whole = joined(waiting)
        waiting = [whole.part(slice(count, None))]
        return whole.part(slice(0, count))

    return take
