"""Copies of a log whose clock was moved: the same rows in the same rhythm, at other times.

A log is a copy of another where all its rows are the other's first ones. Content alone is evidence only where it does
not come again in the log itself: pieces of a signal without noise are alike, and are no copies, unless they lie in the
same time (:func:`at_once`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.ingest.stored import rows_until
from benchpipe.store.manifest import Source
from benchpipe.store.run_store import RunStore

ROWS = 256  # that differ from the row before: so many must be alike
AGAIN = 32  # of them, that come a second time where a signal repeats itself
AT_ONCE = 1 << 12
FARTHEST_US = 1 << 62
IsCopy = Callable[[Source, Source, bool], bool]


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


def is_copy(store: RunStore, one: Source, other: Source, together: bool) -> bool:
    """Whether all rows of ``one`` are the first of ``other``, at times moved by one length, and tell it from others.

    ``together``: they lie :func:`at_once`, so the rows need not tell it.
    """
    shift = (other.first_us or 0) - (one.first_us or 0)
    theirs = _pieces(rows_until(store, other, FARTHEST_US))
    for rows in rows_until(store, one, FARTHEST_US):
        same = theirs(len(rows))
        if same is None or not (rows.time_us + shift == same.time_us).all() or not equal_rows(rows, same).all():
            return False
    return together or not _comes_again(store, one)


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


def _comes_again(store: RunStore, source: Source) -> bool:
    """Whether the first rows that differ from the row before stand in the log a second time."""
    pattern: Rows | None = None
    held: list[Rows] = []
    last: Rows | None = None
    for rows in rows_until(store, source, FARTHEST_US):
        held.append(rows.part(_moved(rows, last)))
        last = rows.part(slice(-1, None))
        if sum(map(len, held)) < 2 * AGAIN:
            continue
        found = joined(held)
        if pattern is None:
            pattern, found = found.part(slice(0, AGAIN)), found.part(slice(1, None))
        if _holds(found, pattern):
            return True
        held = [found.part(slice(1 - AGAIN, None))]
    return False


def _holds(rows: Rows, pattern: Rows) -> bool:
    """Whether rows hold others one after the other, whatever their times."""
    starts = np.arange(len(rows) - len(pattern) + 1)
    for k in range(len(pattern)):
        if not starts.size:
            return False
        wanted = pattern.part(np.full(starts.size, k))
        starts = starts[equal_rows(rows.part(starts + k), wanted)]
    return bool(starts.size)
