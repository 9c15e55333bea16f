"""Parquet and Arrow logs: outline and sample."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from benchpipe.inspect.findings import Choice, LogColumn, LogPiece, LogSample, Outline
from benchpipe.inspect.heading import log_column
from benchpipe.inspect.ranges import ranges_of
from benchpipe.readers.arrow_ipc import arrow_batches, arrow_schema, is_arrow_file
from benchpipe.readers.extras import readable
from benchpipe.readers.log_file import open_log
from benchpipe.readers.tabular import BATCH_ROWS, READ_BYTES

STAMP_FORMAT = "%Y-%m-%d %H:%M:%S.%f"  # a timestamp needs no format; a rig file wants one with any date


def outline_columnar(path: Path, form: str) -> Outline:
    """Outline of a Parquet or Arrow log, from its schema."""
    with open_log(path) as file:
        return outline_of_schema(_schema(path, file, form), form)


def outline_of_schema(schema: pa.Schema, form: str) -> Outline:
    """Outline of a log of typed columns; a field's unit is in its metadata as ``unit``."""
    columns = tuple(_column(schema.field(k), schema.names.index(schema.field(k).name) == k) for k in range(len(schema)))
    stamped = [c.key for c in columns if c.kind == "date"]
    dates: dict[str, Any] = {"kind": "datetime", "column": stamped[0]} if stamped else {}
    choices = {"date": Choice((STAMP_FORMAT,), True, "timestamps")} if stamped else {}
    return Outline(form, {}, columns, choices, dates)


def sample_columnar(path: Path, outline: Outline, most: int) -> LogSample:
    """Rows of a Parquet or Arrow log."""
    wanted = [k for k, column in enumerate(outline.columns) if column.kind != "word"]
    date = outline.dates.get("column")
    with open_log(path) as file, readable(path, "a Parquet" if outline.format == "parquet" else "an Arrow"):
        rows, parts = _parquet(file, wanted, most) if outline.format == "parquet" else _arrow(path, file, wanted, most)
    pieces = []
    for start, table in parts:
        columns = {outline.columns[k].key: table.column(n) for n, k in enumerate(wanted)}
        stamps = None
        if date is not None:
            stamps = np.array(pc.fill_null(columns[date].cast(pa.timestamp("us")).cast(pa.int64()), 0))
        values = {key: _floats(c) for key, c in columns.items() if not pa.types.is_timestamp(c.type)}
        pieces.append(LogPiece(np.arange(start + 1, start + 1 + table.num_rows), stamps, values))
    looked = sum(len(p.row) for p in pieces)
    return LogSample(tuple(pieces), rows is not None and looked == rows, rows)


def _schema(path: Path, file: IO[bytes], form: str) -> pa.Schema:
    if form == "arrow":
        return arrow_schema(path, file)
    with readable(path, "a Parquet"):
        return pq.ParquetFile(file).schema_arrow


def _column(field: pa.Field, first: bool) -> LogColumn:
    tests = (pa.types.is_floating, pa.types.is_integer, pa.types.is_boolean)
    kind = "date" if pa.types.is_timestamp(field.type) else "word"
    kind = "number" if any(test(field.type) for test in tests) else kind
    kind = kind if first else "word"  # of columns with one name only the first can be read
    known = {key.lower(): value for key, value in (field.metadata or {}).items()}
    unit = known.get(b"unit", known.get(b"units", b"")).decode("utf-8", "replace")
    return log_column(field.name, unit, "column's metadata", kind)


def _floats(column: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = np.array(pc.fill_null(column.cast(pa.float64(), safe=False), float("nan")), np.float64)
    return np.where(np.isfinite(values), values, np.nan)


def _parquet(file: IO[bytes], wanted: list[int], most: int) -> tuple[int | None, list[tuple[int, pa.Table]]]:
    """Rows of the file, and its row groups round the ranges that are looked at."""
    source = pq.ParquetFile(file, pre_buffer=False, buffer_size=READ_BYTES)
    names = [source.schema_arrow.names[k] for k in wanted]
    rows = source.metadata.num_rows
    ends = np.cumsum([0, *(source.metadata.row_group(g).num_rows for g in range(source.num_row_groups))])
    found = []
    for start, end in ranges_of(rows, most).ranges:
        groups = [g for g in range(source.num_row_groups) if ends[g] < end and ends[g + 1] > start]
        if groups:
            before = int(ends[groups[0]])
            found.append((start, _part(source, groups, names, start - before, end - before)))
    return rows, found


def _part(source: pq.ParquetFile, groups: list[int], names: list[str], start: int, end: int) -> pa.Table:
    """Rows of some row groups, which need not fit in memory."""
    taken, at = [], 0
    for batch in source.iter_batches(BATCH_ROWS, row_groups=groups, columns=names):
        taken.append(batch.slice(max(start - at, 0), max(min(end - at, batch.num_rows) - max(start - at, 0), 0)))
        at += batch.num_rows
        if at >= end:
            break
    return pa.Table.from_batches(taken)


def _arrow(
    path: Path, file: IO[bytes], wanted: list[int], most: int
) -> tuple[int | None, list[tuple[int, pa.Table]]]:
    """Of a file any batches; of a stream only its beginning can be had."""
    if not is_arrow_file(file):
        taken, rows = [], 0
        batches: Iterator[pa.RecordBatch] = arrow_batches(path, file, wanted)
        for batch in batches:
            taken.append(batch)
            rows += batch.num_rows
            if rows >= most:
                more = next(batches, None)
                return (None if more is not None else rows), [(0, pa.Table.from_batches(taken))]
        return rows, [(0, pa.Table.from_batches(taken))] if taken else []
    source = pa.ipc.open_file(file, options=pa.ipc.IpcReadOptions(included_fields=wanted))
    ends = np.cumsum([0, *(source.get_batch(k).num_rows for k in range(source.num_record_batches))])
    found = []
    for start, end in ranges_of(int(ends[-1]), most).ranges:
        numbers = [k for k in range(source.num_record_batches) if ends[k] < end and ends[k + 1] > start]
        if numbers:
            table = pa.Table.from_batches([source.get_batch(k) for k in numbers])
            found.append((start, table.slice(start - int(ends[numbers[0]]), end - start)))
    return int(ends[-1]), found
