"""New cycles of a block from its table: the columns that are watched, from a time on, and no older row groups."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.trends import NOT_JUDGED
from benchpipe.drift.measures import Watched
from benchpipe.drift.watched import CycleColumns
from benchpipe.store.manifest import Part
from benchpipe.store.open_storage import part_path
from benchpipe.store.parts import open_part, unread
from benchpipe.store.run_store import RunStore

BASIS = (
    "cycle", "segment", "start_us", "period_s", "samples", "complete", "flags", "temperature_c",
    "peak_load", "valley_load", "motion_max", "motion_min",
)  # fmt: skip


def read_rows(
    store: RunStore, parts: Sequence[Part], watched: Sequence[Watched], from_us: int
) -> tuple[pa.Table, dict[str, int]]:
    """Rows that begin at a time or later, incomplete ones too; and when the rows of each part that was opened begin.

    The newest parts are looked at first, row groups by the statistics of their times, until all of one is earlier.
    Pages are verified against their checksums.
    """
    names = list(dict.fromkeys([*BASIS, *(w.name for w in watched)]))
    pieces: list[pa.Table] = []
    begins: dict[str, int] = {}
    for part in reversed(parts):
        found, begins[part.path] = _newer(store, part, names, from_us)
        pieces += found
        if not found:
            break
    rows = pa.concat_tables(pieces[::-1]) if pieces else store.read_parts([], "cycles", names)
    keep = np.array(rows.column("start_us"), np.int64) >= from_us
    return rows.filter(pa.array(keep)), begins


def _newer(store: RunStore, part: Part, names: list[str], from_us: int) -> tuple[list[pa.Table], int]:
    """Row groups of a part that reach a time, the last first, and when its first row begins."""
    pieces: list[pa.Table] = []
    begin = from_us
    try:
        with open_part(store.folder, part, pq.read_metadata(part_path(store.folder, part))) as file:
            here = [name for name in names if name in file.schema_arrow.names]
            for group in range(file.num_row_groups - 1, -1, -1):
                least, most = _times(file.metadata.row_group(group), from_us)
                begin = min(begin, least) if pieces or most < from_us else least
                if most >= from_us:
                    rows = file.read_row_group(group, columns=here, use_threads=False)
                    for name in (n for n in names if n not in here):  # a part of an older version
                        rows = rows.append_column(name, pa.nulls(rows.num_rows, pa.float32()))
                    pieces.append(rows.select(names))
    except (OSError, pa.ArrowException) as error:
        raise unread(store.folder / part.path, error) from None
    return pieces, begin


def _times(group: pq.RowGroupMetaData, unknown: int) -> tuple[int, int]:
    """First and last start of the rows of a group; where they are not stated it may hold any."""
    for place in range(group.num_columns):
        column = group.column(place)
        if column.path_in_schema == "start_us" and column.is_stats_set and column.statistics.has_min_max:
            return column.statistics.min, column.statistics.max
    return unknown - 1, unknown


def complete_cycles(rows: pa.Table, watched: Sequence[Watched], *, warm: bool) -> CycleColumns:
    """Complete cycles; a figure that is never judged is NaN. ``warm``: a temperature is logged."""
    rows = rows.filter(rows.column("complete"))
    good = (np.array(rows.column("flags"), np.int64) & int(NOT_JUDGED)) == 0
    values = {w.name: _readings(rows, w.name, good) for w in watched}
    everywhere = np.ones(good.size, bool)
    return CycleColumns(
        np.array(rows.column("cycle"), np.int64), np.array(rows.column("start_us"), np.int64),
        _readings(rows, "period_s", everywhere), values,
        _readings(rows, "temperature_c", everywhere) if warm else None,
    )  # fmt: skip


def _readings(rows: pa.Table, name: str, good: NDArray[np.bool_]) -> NDArray[np.floating]:
    column = rows.column(name).combine_chunks()
    values: NDArray[np.floating] = column.to_numpy(zero_copy_only=False)  # NaN for null
    return values if good.all() else np.where(good, values, values.dtype.type(np.nan))


def days_of(start_us: NDArray[np.int64], day_us: int) -> Iterator[tuple[int, slice]]:
    """Days of rows in order, with the rows of each."""
    days = start_us // day_us
    edges = [*np.flatnonzero(np.diff(days, prepend=days[:1] - 1)).tolist(), days.size]
    for first, last in pairwise(edges):
        yield int(days[first]), slice(first, last)
