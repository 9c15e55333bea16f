"""Give a table of the store as CSV or Parquet."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from io import RawIOBase
from pathlib import Path
from typing import IO, Literal

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from benchpipe.blocks.cyclic.tables import flag_names
from benchpipe.check.rounding import decimals_of
from benchpipe.errors import ConfigError, nearest
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples
from benchpipe.store.files import finish, unfinished
from benchpipe.store.manifest import Manifest
from benchpipe.store.parts import open_part
from benchpipe.store.refusals import refused
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema


def write_table(
    store: RunStore, manifest: Manifest, table: str, form: Literal["csv", "parquet"], out: Path | None
) -> None:
    """Write a table to a file, or to standard output.

    Raises
    ------
    ConfigError
        The file exists already.
    """
    if out is None:
        _write(sys.stdout.buffer, store, manifest, table, form)
        return
    if out.exists():
        raise ConfigError("the file exists already", where=out, do_next="remove it, or give another name")
    with refused(out.absolute(), "give another name"), unfinished(out.absolute().parent) as file:
        _write(file, store, manifest, table, form)
        finish(file, out.name)


def _write(
    file: IO[bytes] | RawIOBase, store: RunStore, manifest: Manifest, table: str, form: Literal["csv", "parquet"]
) -> None:
    pieces = (_in_words(piece) if form == "csv" else piece for piece in table_pieces(store, manifest, table))
    first = next(pieces)
    writer = pacsv.CSVWriter(file, first.schema) if form == "csv" else pq.ParquetWriter(file, first.schema)
    with writer:
        writer.write_table(first)
        for piece in pieces:
            writer.write_table(piece)


def table_pieces(
    store: RunStore, manifest: Manifest, table: str, columns: list[str] | None = None
) -> Iterator[pa.Table]:
    """A table in pieces, the first of which may be empty.

    Samples have the name of their log file, times on the run's axis, and no zeros: as all that measures them gets them.
    """
    if table == "samples":
        yield from _samples(store, manifest, columns)
        return
    if table != "remarks":
        yield _shortest(store.read(manifest, table, columns))
        return
    remarks = [r for s in manifest.sources for r in s.remarks]
    remarks += [r for step in manifest.steps.values() for r in step.remarks]
    rows = pa.Table.from_pylist([r.model_dump() for r in remarks], schema=schema("remarks"))
    yield rows if columns is None else rows.select(columns)


def _shortest(rows: pa.Table) -> pa.Table:
    """Rows whose doubles that hold a single are its shortest decimal: 23.1, and not 23.100000381469727."""
    for place, field in enumerate(rows.schema):
        if pa.types.is_float64(field.type):
            column = rows.column(place)
            values = pa.array(decimals_of(np.asarray(column.fill_null(0.0))), mask=np.asarray(column.is_null()))
            rows = rows.set_column(place, field, values)
    return rows


def _in_words(rows: pa.Table) -> pa.Table:
    """Rows with words where Parquet has bits."""
    if "flags" not in rows.column_names:
        return rows
    words = pa.array([flag_names(f) for f in rows.column("flags").to_pylist()], pa.string())
    return rows.set_column(rows.column_names.index("flags"), "flags", words)


def _samples(store: RunStore, manifest: Manifest, columns: list[str] | None) -> Iterator[pa.Table]:
    inputs = sample_inputs(manifest)
    if not inputs:
        empty = schema("samples").empty_table()
        yield empty if columns is None else empty.select(columns)
        return
    with open_part(store.folder, inputs[0].part) as file:
        given = [pa.field("file", pa.string()), *file.schema_arrow]
    if inputs[0].second is not None:
        given += [pa.field(name, pa.float32()) for name in inputs[0].second.channels]
    named = {field.name: field for field in given}
    for name in columns or ():
        if name not in named:
            raise ConfigError(f"'samples' has no column '{name}'", expected=nearest(name, list(named)))
    wanted = pa.schema([named[name] for name in columns or named])
    read = [name for name in wanted.names if name not in ("file", "time_us")]
    yield wanted.empty_table()
    for batch in stream_samples(store.folder, inputs, read):
        made = {"file": pa.repeat(batch.file, batch.time_us.size), "time_us": batch.time_us} | batch.columns
        yield pa.Table.from_arrays([pa.array(made[f.name], f.type) for f in wanted], schema=wanted)
