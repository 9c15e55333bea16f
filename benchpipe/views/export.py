"""Tables of the store as other programs get them: the same columns, units, flags and times in every format."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.cyclic.tables import flag_names
from benchpipe.check.rounding import decimals_of
from benchpipe.columns import schema_of
from benchpipe.config.block import BlockConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.signals import signal_units
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Manifest
from benchpipe.store.parts import open_part
from benchpipe.store.run_store import RunStore
from benchpipe.tables import columns as columns_of
from benchpipe.tables import schema

FLAGS = "what is odd with the cycle: names, with | between them; empty where nothing is"
STAMP = "%Y-%m-%dT%H:%M:%S"  # ISO 8601, by the rig's clock, which states no zone


def table_pieces(
    run: RunConfig, store: RunStore, manifest: Manifest, table: str, columns: list[str] | None = None, *,
    block: BlockConfig | None = None, iso: bool = False,
) -> Iterator[pa.Table]:  # fmt: skip
    """A table in pieces, the first of which may be empty.

    Samples have the name of their log file, times on the run's axis, and no zeros: as all that measures them gets
    them. Each field's metadata has its unit and meaning; ``flags`` are names, joined by ``|``.

    Parameters
    ----------
    columns : list of str, optional
        All where not given.
    block : BlockConfig, optional
        Of samples: those of its logs, and of its mode. Other tables name the block of each row.
    iso : bool
        Times [us] as timestamps, by the rig's clock: ``start_us`` becomes ``start``.

    Raises
    ------
    ConfigError
        There is no such column of samples, or ``iso`` is asked for and the log has no dates.
    """
    if iso and not run.rig.time.shown_as_dates:
        raise ConfigError(
            f"the times of run '{run.name}' are no dates: its rig counts from the beginning of the log",
            where=run.rig_path, do_next="leave out --iso: times are microseconds then",
        )  # fmt: skip
    units = signal_units(run.rig)
    for piece in _stored_pieces(run, store, manifest, table, columns, block):
        rows = _with_flag_names(_described(piece, schema_of(store.tables[table], units)))
        yield _with_stamps(rows) if iso else rows


def _stored_pieces(
    run: RunConfig, store: RunStore, manifest: Manifest, table: str, columns: list[str] | None,
    block: BlockConfig | None,
) -> Iterator[pa.Table]:  # fmt: skip
    if table == "samples":
        yield from _samples(run, store, manifest, columns, block)
        return
    if table != "remarks":
        yield _shortest(store.read(manifest, table, columns))
        return
    remarks = [r for s in manifest.sources for r in s.remarks]
    remarks += [r for step in manifest.steps.values() for r in step.remarks]
    rows = pa.Table.from_pylist([r.model_dump() for r in remarks], schema=schema("remarks"))
    yield rows if columns is None else rows.select(columns)


def _described(rows: pa.Table, whole: pa.Schema) -> pa.Table:
    """Rows whose fields have unit and meaning, where nothing was stored that would have brought them too."""
    known = {field.name: field for field in whole}
    fields = [f.with_metadata(known[f.name].metadata) if f.name in known else f for f in rows.schema]
    return rows.cast(pa.schema(fields))


def _shortest(rows: pa.Table) -> pa.Table:
    for place, field in enumerate(rows.schema):
        if pa.types.is_float64(field.type):
            rows = rows.set_column(place, field, shortest(rows.column(place)))
    return rows


def shortest(column: pa.ChunkedArray) -> pa.Array:
    """Doubles, of which those that hold a single are its shortest decimal: 23.1, and not 23.100000381469727."""
    return pa.array(decimals_of(np.asarray(column.fill_null(0.0))), mask=np.asarray(column.is_null()))


def _with_flag_names(rows: pa.Table) -> pa.Table:
    """Rows with names of flags where the store has bits."""
    if "flags" not in rows.column_names:
        return rows
    coded = rows.column("flags").combine_chunks().dictionary_encode()
    names = pa.array([flag_names(bits) for bits in coded.dictionary.to_pylist()], pa.string())
    place = rows.column_names.index("flags")
    field = pa.field("flags", pa.string(), metadata={"unit": "", "meaning": FLAGS})
    return rows.set_column(place, field, names.take(coded.indices))


def _with_stamps(rows: pa.Table) -> pa.Table:
    """Rows with timestamps where the store has microseconds."""
    for place, field in enumerate(rows.schema):
        if field.name.endswith("_us") and pa.types.is_int64(field.type):
            made = pa.field(
                field.name.removesuffix("_us"), pa.timestamp("us"), field.nullable,
                {"unit": "", "meaning": (field.metadata or {}).get(b"meaning", b"")},
            )  # fmt: skip
            rows = rows.set_column(place, made, rows.column(place).cast(pa.timestamp("us")))
    return rows


def stamps_as_text(rows: pa.Table) -> pa.Table:
    """Rows with ISO 8601 texts where they have timestamps: ``2031-04-14T22:41:00.000000``."""
    for place, field in enumerate(rows.schema):
        if pa.types.is_timestamp(field.type):
            made = field.with_type(pa.string())
            rows = rows.set_column(place, made, pc.strftime(rows.column(place), format=STAMP))
    return rows


def _samples(
    run: RunConfig, store: RunStore, manifest: Manifest, columns: list[str] | None, block: BlockConfig | None
) -> Iterator[pa.Table]:
    inputs = sample_inputs(manifest)
    name_of_log = pa.field("file", pa.string(), metadata={"unit": "", "meaning": columns_of("rejects")["file"].meaning})
    if not inputs:
        empty = schema("samples").empty_table()
        yield empty if columns is None else empty.select(columns)
        return
    with open_part(store.folder, inputs[0].part) as file:
        given = [name_of_log, *file.schema_arrow]
    if inputs[0].second is not None:
        units = {channel.name: channel.unit for channel in run.rig.channel}
        given += [
            pa.field(name, pa.float32(), metadata={"unit": units.get(name, "")}) for name in inputs[0].second.channels
        ]
    named = {field.name: field for field in given}
    for name in columns or ():
        if name not in named:
            raise ConfigError(f"'samples' has no column '{name}'", expected=nearest(name, list(named)))
    wanted = pa.schema([named[name] for name in columns or named])
    read = [name for name in wanted.names if name not in ("file", "time_us")]
    inputs = inputs if block is None else sample_inputs(manifest, block.files)
    mode = run.rig.mode if block is not None and block.mode is not None else None
    read += [mode] if mode is not None and mode not in read else []
    yield wanted.empty_table()
    for batch in stream_samples(store.folder, inputs, read):
        made = {"file": pa.repeat(batch.file, batch.time_us.size), "time_us": batch.time_us} | batch.columns
        rows = pa.Table.from_arrays([pa.array(made[f.name], f.type) for f in wanted], schema=wanted)
        yield rows if block is None or mode is None else rows.filter(pa.array(batch.columns[mode] == block.mode))
