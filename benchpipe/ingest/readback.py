"""Read the rows of a log back from the store."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from functools import lru_cache
from itertools import accumulate

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchpipe.ingest.rows import Rows, joined
from benchpipe.samples.stream import plain_array
from benchpipe.store.manifest import Part, Source
from benchpipe.store.parts import open_part, unread
from benchpipe.store.run_store import RunStore

GROUPS_KEPT = 8


def last_rows(store: RunStore, source: Source, most: int, since_us: int | None) -> Rows | None:
    """At most so many of the last rows of a log, none before ``since_us``, on its own axis."""
    pieces: list[Rows] = []
    for part in reversed(_samples(source)):
        for piece in _groups(store, part, backwards=True):
            pieces.append(piece)
            known = sum(map(len, pieces))
            if known >= most or (since_us is not None and piece.time_us[0] < since_us):
                break
        else:
            continue
        break
    if not pieces:
        return None
    rows = joined(pieces[::-1])
    first = 0 if since_us is None else int(np.searchsorted(rows.time_us, since_us, "left"))
    return rows.part(slice(max(first, len(rows) - most), None))


def rows_until(store: RunStore, source: Source, until_us: int) -> Iterator[Rows]:
    """The first rows of a log in order, up to a time on its own axis."""
    for part in _samples(source):
        for piece in _groups(store, part):
            end = int(np.searchsorted(piece.time_us, until_us, "right"))
            if end:
                yield piece.part(slice(0, end))
            if end < len(piece):
                return


def rows_between(store: RunStore, source: Source, first_us: int, last_us: int) -> Iterator[Rows]:
    """The rows of a log between two times of its own axis."""
    for part in reversed(_samples(source)):
        for piece in _groups(store, part, backwards=True):
            begin, end = np.searchsorted(piece.time_us, [first_us, last_us + 1])
            if begin < end:
                yield piece.part(slice(begin, end))
            if len(piece) and piece.time_us[0] <= first_us:
                return


class SampleReader:
    """Reads samples of logs by their numbers; the last row groups are kept, for what is near."""

    def __init__(self, store: RunStore) -> None:
        self._store = store
        self._ends = lru_cache(maxsize=None)(self._ends_of)
        self._group = lru_cache(maxsize=GROUPS_KEPT)(self._group_of)

    def rows(self, source: Source, first: int, end: int) -> Rows:
        """Samples ``first … end - 1`` of a log, counted from 0; at least one, and ``end`` no more than there are."""
        pieces: list[Rows] = []
        begin = 0
        for part in _samples(source):
            if begin < end and begin + part.rows > first:
                ends = self._ends(part)
                for index in range(bisect_right(ends, first - begin), len(ends)):
                    at = begin + (ends[index - 1] if index else 0)
                    if at >= end:
                        break
                    pieces.append(self._group(part, index).part(slice(max(first - at, 0), end - at)))
            begin += part.rows
        return joined(pieces)

    def _ends_of(self, part: Part) -> list[int]:
        with open_part(self._store.folder, part) as file:
            meta = file.metadata
        return list(accumulate(meta.row_group(k).num_rows for k in range(meta.num_row_groups)))

    def _group_of(self, part: Part, index: int) -> Rows:
        with open_part(self._store.folder, part) as file:
            return _group(self._store, part, file, index)


def _samples(source: Source) -> list[Part]:
    return [part for part in source.parts if part.table == "samples"]


def _groups(store: RunStore, part: Part, *, backwards: bool = False) -> Iterator[Rows]:
    with open_part(store.folder, part) as file:
        order = range(file.num_row_groups)
        for index in reversed(order) if backwards else order:
            yield _group(store, part, file, index)


def _group(store: RunStore, part: Part, file: pq.ParquetFile, index: int) -> Rows:
    try:
        table = file.read_row_group(index, use_threads=False)
    except (OSError, pa.ArrowException) as error:
        raise unread(store.folder / part.path, error) from None
    arrays = {name: plain_array(table.column(name)) for name in table.column_names}
    return Rows(arrays.pop("row"), arrays.pop("time_us"), arrays)
