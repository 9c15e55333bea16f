"""Parquet logs: one row a sample, columns by name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError, nearest
from benchpipe.readers.batch import RawBatch, needed_columns, stretches
from benchpipe.readers.extras import readable

BATCH_ROWS = 1 << 18
READ_BYTES = 1 << 20  # of a column at once: its whole part of a row group may be larger than memory


def read_parquet(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a Parquet log.

    Raises
    ------
    InputError
        Not a Parquet file, or a column is missing or not numeric.
    """
    with readable(path, "a Parquet"):
        source = pq.ParquetFile(file, pre_buffer=False, buffer_size=READ_BYTES)
        needed = {key: _column(path, column, source.schema_arrow.names) for key, column in needed_columns(rig).items()}
        batches = source.iter_batches(BATCH_ROWS, columns=list(dict.fromkeys(needed.values())))
    row = 1
    while True:
        with readable(path, "a Parquet"):
            batch = next(batches, None)
        if batch is None:
            return
        yield raw_batch(path, {key: batch.column(name) for key, name in needed.items()}, row, rig)
        row += batch.num_rows


def _column(path: Path, column: str | int, names: list[str]) -> str:
    if isinstance(column, int) and 1 <= column <= len(names):
        return names[column - 1]
    if column not in names:
        raise InputError(
            f"the log has no column '{column}'",
            where=path,
            expected=nearest(str(column), names),
            do_next="correct the channel's column in the rig file",
        )
    return str(column)


def raw_batch(path: Path, columns: dict[str, pa.Array], first_row: int, rig: RigConfig) -> RawBatch:
    """Arrow columns → a raw batch. Rows without a finite time are rejects."""
    n = len(next(iter(columns.values())))
    row = np.arange(first_row, first_row + n)
    if rig.time.kind == "sample":
        time: NDArray[Any] = row.copy()
        good = np.ones(n, bool)
    elif rig.time.kind == "datetime":
        stamps = columns["time"]
        if not pa.types.is_timestamp(stamps.type):
            raise InputError(f"the time column is {stamps.type}, not a timestamp", where=path)
        good = np.array(pc.is_valid(stamps), dtype=bool)
        time = np.array(pc.fill_null(stamps.cast(pa.timestamp("us"), safe=False).cast(pa.int64()), 0))
    else:
        time = _floats(path, "time", columns["time"])
        good = np.isfinite(time)
    channels = {c.name: _floats(path, c.name, _numbered(columns[c.name], c.map))[good] for c in rig.channel}
    return RawBatch(row[good], time[good], channels, stretches(row[~good], "no time that can be read"))


def _numbered(array: pa.Array, words: tuple[tuple[str, float], ...]) -> pa.Array:
    """A column of words as the numbers that they stand for; no value for a word that stands for none."""
    if not words or not (pa.types.is_string(array.type) or pa.types.is_large_string(array.type)):
        return array
    places = pc.index_in(pc.utf8_trim_whitespace(array), pa.array([word for word, _ in words], array.type))
    return pc.take(pa.array([number for _, number in words], pa.float64()), places)


def _floats(path: Path, name: str, array: pa.Array) -> NDArray[np.float64]:
    try:
        values = np.array(pc.fill_null(array.cast(pa.float64(), safe=False), float("nan")))
    except pa.ArrowException:
        raise InputError(f"the column of '{name}' holds {array.type}, not numbers", where=path) from None
    values[~np.isfinite(values)] = np.nan
    return values
