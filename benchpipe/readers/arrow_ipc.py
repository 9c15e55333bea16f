"""Arrow IPC logs, as files (also called Feather 2) or streams: one row a sample, columns by name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.readers.batch import RawBatch, needed_columns
from benchpipe.readers.extras import no_column, readable
from benchpipe.readers.tabular import BATCH_ROWS, raw_batch

FILE_MAGIC = b"ARROW1"


def read_arrow(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read an Arrow IPC log.

    A column is named, or numbered from 1.

    Raises
    ------
    InputError
        Not an Arrow file or stream, cut short, or a column is missing or not numeric.
    """
    schema = arrow_schema(path, file)
    places = {key: _place(path, column, schema.names) for key, column in needed_columns(rig).items()}
    wanted = sorted(set(places.values()))
    row = 1
    for batch in _gathered(arrow_batches(path, file, wanted)):
        for start in range(0, batch.num_rows, BATCH_ROWS):
            part = batch.slice(start, BATCH_ROWS)
            columns = {key: part.column(wanted.index(place)) for key, place in places.items()}
            yield raw_batch(path, columns, row, rig)
            row += part.num_rows


def arrow_schema(path: Path, file: IO[bytes]) -> pa.Schema:
    """Schema of an Arrow file or stream."""
    with readable(path, "an Arrow"):
        schema = (pa.ipc.open_file(file) if is_arrow_file(file) else pa.ipc.open_stream(file)).schema
        _ = schema.names  # decoded only now: damaged names show here
        return schema


def is_arrow_file(file: IO[bytes]) -> bool:
    """Whether it is a file (with a footer), not a stream. Goes back to the start."""
    file.seek(0)
    magic = file.read(len(FILE_MAGIC))
    file.seek(0)
    return magic == FILE_MAGIC


def arrow_batches(path: Path, file: IO[bytes], places: list[int]) -> Iterator[pa.RecordBatch]:
    """Batches of some columns, each verified against its own lengths: Arrow has no checksums."""
    with readable(path, "an Arrow"):
        options = pa.ipc.IpcReadOptions(included_fields=places)
        if is_arrow_file(file):
            source = pa.ipc.open_file(file, options=options)
            for number in range(source.num_record_batches):
                batch = source.get_batch(number)
                batch.validate(full=True)
                yield batch
            return
        for batch in pa.ipc.open_stream(file, options=options):
            batch.validate(full=True)
            yield batch


def _gathered(batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
    """Small batches as larger ones: rigs write one a second."""
    waiting: list[pa.RecordBatch] = []
    rows = 0
    for batch in batches:
        waiting.append(batch)
        rows += batch.num_rows
        if rows >= BATCH_ROWS:
            yield from pa.Table.from_batches(waiting).combine_chunks().to_batches()
            waiting, rows = [], 0
    if rows:
        yield from pa.Table.from_batches(waiting).combine_chunks().to_batches()


def _place(path: Path, column: str | int, names: list[str]) -> int:
    if isinstance(column, int) and 1 <= column <= len(names):
        return column - 1
    if column not in names:
        raise no_column(path, column, names)
    return names.index(str(column))
