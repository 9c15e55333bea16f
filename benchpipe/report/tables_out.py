"""Give a table of the store as CSV or Parquet."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from io import RawIOBase
from pathlib import Path
from typing import IO, Literal

import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from benchpipe.errors import ConfigError
from benchpipe.store.files import finish, unfinished
from benchpipe.store.manifest import Manifest
from benchpipe.store.parts import open_part
from benchpipe.store.refusals import refused
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleInput, sample_inputs, stream_samples
from benchpipe.tables import flag_names, schema


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
    pieces = _pieces(store, manifest, table, form)
    first = next(pieces)
    writer = pacsv.CSVWriter(file, first.schema) if form == "csv" else pq.ParquetWriter(file, first.schema)
    with writer:
        writer.write_table(first)
        for piece in pieces:
            writer.write_table(piece)


def _pieces(store: RunStore, manifest: Manifest, table: str, form: Literal["csv", "parquet"]) -> Iterator[pa.Table]:
    """The table in pieces, the first of which may be empty; CSV gets words where Parquet has bits."""
    if table == "samples":
        yield from _samples(store, manifest)
        return
    if table == "remarks":
        remarks = [r for s in manifest.sources for r in s.remarks]
        remarks += [r for step in manifest.steps.values() for r in step.remarks]
        yield pa.Table.from_pylist([r.model_dump() for r in remarks], schema=schema("remarks"))
        return
    rows = store.read(manifest, table)
    if form == "csv" and "flags" in rows.column_names:
        words = pa.array([flag_names(f) for f in rows.column("flags").to_pylist()], pa.string())
        rows = rows.set_column(rows.column_names.index("flags"), "flags", words)
    yield rows


def _samples(store: RunStore, manifest: Manifest) -> Iterator[pa.Table]:
    """Samples with the name of their log file, times on the run's axis."""
    import pyarrow.compute as pc

    empty = True
    inputs = sample_inputs(manifest)
    if any(one.second is not None for one in inputs):
        yield from _joined_samples(store, inputs)
        return
    for source in inputs:
        with open_part(store.folder, source.part) as file:
            for batch in file.iter_batches(1 << 17):
                rows = pa.Table.from_batches([batch])
                time = pc.add(rows.column("time_us"), source.shift_us)
                rows = rows.set_column(0, rows.schema.field("time_us"), time)
                if source.after_us is not None:
                    rows = rows.filter(pc.greater(time, source.after_us))
                names = pa.array([source.file] * rows.num_rows, pa.string())
                yield rows.add_column(0, "file", names)
                empty = False
    if empty:
        yield schema("samples").empty_table()


def _joined_samples(store: RunStore, inputs: list[SampleInput]) -> Iterator[pa.Table]:
    """The same where a rig has two loggers: the second's channels as they are at the times of the first's rows."""
    with open_part(store.folder, inputs[0].part) as file:
        plain = file.schema_arrow
    channels = inputs[0].second.channels if inputs[0].second is not None else ()
    fields = [*plain, *(pa.field(name, pa.float32()) for name in channels)]
    columns = [field.name for field in fields if field.name != "time_us"]
    for batch in stream_samples(store.folder, inputs, columns):
        values = {"time_us": batch.time_us, **batch.columns}
        arrays = [pa.array(values[field.name], field.type) for field in fields]
        names = pa.array([batch.file] * len(batch.time_us), pa.string())
        rows = pa.Table.from_arrays(arrays, schema=pa.schema(fields))
        yield rows.add_column(0, "file", names)
