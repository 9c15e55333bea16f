"""Trace a figure back to its raw rows: log file, rows, SHA-256."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pyarrow.compute as pc

from benchpipe.blocks.cyclic.tables import flag_names
from benchpipe.errors import ConfigError, nearest
from benchpipe.process.origins import events_of
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples, stream_second
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


@dataclass(frozen=True)
class LogRows:
    """First and last row of a log, and the SHA-256 of the file as it was taken."""

    file: str
    first: int
    last: int
    sha256: str


@dataclass(frozen=True)
class Traced:
    """What is numbered in a block: its row of the table, and the rows of the logs it comes from."""

    row: dict[str, Any]
    logs: tuple[LogRows, ...]


def traced(run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: int) -> Traced:
    """Where a cycle, hold or sweep comes from.

    Raises
    ------
    ConfigError
        The plan has no such block, or the block no such cycle.
    """
    start, until, row = span_of(run, store, manifest, block, what, number)
    if manifest.closed:
        spans = _kept_rows(store, manifest, block, what, number)
    else:
        files = next(b.files for b in run.plan.block if b.name == block)
        spans = _rows_between(store, manifest, files, start, until)
    taken = {source.file: source.sha256 for source in manifest.sources}
    return Traced(row, tuple(LogRows(file, *rows, taken[file]) for file, rows in spans.items()))


def span_of(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: int
) -> tuple[int, int, dict[str, Any]]:
    """First and last time [us] of a cycle, hold or sweep, and its row of the table.

    Raises
    ------
    ConfigError
        The plan has no such block, or the block no such cycle.
    """
    names = [b.name for b in run.plan.block]
    if block not in names:
        raise ConfigError(f"the plan has no block '{block}'", where=run.plan_path, expected=nearest(block, names))
    rows = store.read(manifest, events_of(run)[what].table)
    rows = rows.filter(pc.and_(pc.equal(rows.column("block"), block), pc.equal(rows.column(what), number)))
    if rows.num_rows == 0:
        raise ConfigError(f"block '{block}' of run '{run.name}' has no {what} {number}")
    row = rows.to_pylist()[0]
    start = int(row["start_us"])
    return start, start + round(1e6 * (row[events_of(run)[what].length] or 0.0)), row


def trace_rows(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: int
) -> Iterator[str]:
    """Lines that say where a cycle, hold or sweep comes from; errors as of :func:`traced`."""
    found = traced(run, store, manifest, block, what, number)
    yield f"{run.name}, block {block}, {what} {number}: {found.row['samples']:,} samples"
    for rows in found.logs:
        yield f"  {run.folder / rows.file}, rows {rows.first:,} to {rows.last:,}"
        yield f"    SHA-256 of the file as it was taken: {rows.sha256}"
    for name, value in found.row.items():
        if name == "flags":
            value = flag_names(value) or None
        if value is not None and name not in ("block", what, "start_us"):
            yield f"  {name} = {value}"


def _rows_between(
    store: RunStore, manifest: Manifest, files: tuple[str, ...], start_us: int, until_us: int
) -> dict[str, tuple[int, int]]:
    """First and last row of each log between two times, from the samples."""
    found: dict[str, tuple[int, int]] = {}
    inputs = sample_inputs(manifest, files)
    for streamed in (stream_samples, stream_second):
        for batch in streamed(store.folder, inputs, ["row"], start_us, until_us):
            row = batch.columns["row"]
            if row.size:
                found[batch.file] = (found.get(batch.file, (int(row[0]), 0))[0], int(row[-1]))
    return found


def _kept_rows(store: RunStore, manifest: Manifest, block: str, what: str, number: int) -> dict[str, tuple[int, int]]:
    """The same as they were kept when the samples were dropped."""
    rows = store.read(manifest, "origins")
    for column, value in (("block", block), ("what", what), ("number", number)):
        rows = rows.filter(pc.equal(rows.column(column), value))
    return {row["file"]: (row["first_row"], row["last_row"]) for row in rows.to_pylist()}
