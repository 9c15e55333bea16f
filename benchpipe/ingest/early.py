"""Rows that come late and lie before the first row of their log: the logs before it may hold the same rows.

A rig writes some rows again, and begins a new file between the first copy and the second. The log's own clock cannot
say what such rows are. So they are kept apart, each with a hash of its values, and compared with the earlier logs once
their log is placed: they are repeats where the same row is there at the same time, else rejects.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.ingest.clock import LATE
from benchpipe.ingest.readback import rows_between
from benchpipe.ingest.rows import Rows
from benchpipe.readers.batch import stretches
from benchpipe.store.manifest import EARLY_ROWS, Part, Source
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

ODD = np.uint64(0xD1342543DE82EF95)
Whole = NDArray[np.int64]


class EarlyRows:
    """Collects such rows of a log."""

    def __init__(self) -> None:
        self._columns: list[tuple[Whole, Whole, Whole]] = []
        self.count = 0

    def add(self, rows: Rows) -> None:
        """Add the next ones, with times on the log's own axis."""
        self._columns.append((rows.row, rows.time_us, content_of(rows)))
        self.count += len(rows)

    def write(self, store: RunStore, key: str) -> list[Part]:
        """The part of them, if there are any."""
        if not self.count:
            return []
        arrays = [pa.array(np.concatenate(some)) for some in zip(*self._columns, strict=True)]
        return [store.write(EARLY_ROWS, pa.Table.from_arrays(arrays, schema=schema(EARLY_ROWS)), key)]

    @property
    def first_us(self) -> int | None:
        """The earliest of their times."""
        return min((int(time.min()) for _, time, _ in self._columns), default=None)


def content_of(rows: Rows) -> Whole:
    """Hash of each row's values, no value the same as no value, and minus zero as zero.

    Returns
    -------
    int64 array, shape (n,)
    """
    found = np.zeros(len(rows), np.uint64)
    for name in sorted(rows.values):
        values = rows.values[name] + np.float32(0.0)
        bits = np.where(np.isnan(values), np.float32(np.nan), values).view(np.uint32)
        found = (found + bits + np.uint64(1)) * ODD
        found ^= found >> np.uint64(31)
    return found.view(np.int64)


def found_before(
    store: RunStore, earlier: Iterable[tuple[Source, int]], shift_us: int, later: Source
) -> tuple[tuple[int, int], ...]:
    """Which of such rows of ``later``, moved by ``shift_us``, are in earlier logs: stretches (row, rows).

    Parameters
    ----------
    earlier : iterable of (Source, int)
        Each with what its own times are moved by.
    """
    table = store.read_parts([part for part in later.parts if part.table == EARLY_ROWS], EARLY_ROWS)
    row, own_us, content = (np.asarray(table.column(name), np.int64) for name in ("row", "time_us", "content"))
    same = np.zeros(row.size, bool)
    for source, its_shift_us in earlier:
        wanted = own_us + (shift_us - its_shift_us)
        for piece in rows_between(store, source, int(wanted.min()), int(wanted.max())):
            at = np.minimum(np.searchsorted(piece.time_us, wanted), len(piece) - 1)
            there = np.flatnonzero(piece.time_us[at] == wanted)
            same[there] |= content_of(piece.part(at[there])) == content[there]
    return tuple((one.row, one.rows) for one in stretches(row[same], LATE))
