"""From a figure back to the raw rows: log file, rows, SHA-256."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow.compute as pc

from benchpipe.config.run import RunConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.process.origins import TABLE_OF
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import sample_inputs, stream_samples, stream_second


def trace_rows(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: int
) -> Iterator[str]:
    """Lines that say where a cycle, hold or sweep comes from.

    Raises
    ------
    ConfigError
        The plan has no such block, or the block no such cycle.
    """
    named = {b.name: b for b in run.plan.block}
    if block not in named:
        raise ConfigError(f"the plan has no block '{block}'", where=run.plan_path, expected=nearest(block, list(named)))
    rows = store.read(manifest, TABLE_OF[what])
    rows = rows.filter(pc.and_(pc.equal(rows.column("block"), block), pc.equal(rows.column(what), number)))
    if rows.num_rows == 0:
        raise ConfigError(f"block '{block}' of run '{run.name}' has no {what} {number}")
    row = rows.to_pylist()[0]
    start = row["start_us"]
    until = start + round(1e6 * (row.get("period_s") or row.get("duration_s") or 0.0))
    yield f"{run.name}, block {block}, {what} {number}: {row['samples']:,} samples"
    shas = {s.file: s for s in manifest.sources}
    if manifest.closed:
        spans = _kept_rows(store, manifest, block, what, number)
    else:
        spans = _rows_between(store, manifest, named[block].files, start, until)
    for file, (first, last) in spans.items():
        yield f"  {run.folder / file}, rows {first:,} to {last:,}"
        yield f"    SHA-256 of the file as it was taken: {shas[file].sha256}"
    for name, value in row.items():
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


def _kept_rows(
    store: RunStore, manifest: Manifest, block: str, what: str, number: int
) -> dict[str, tuple[int, int]]:
    """The same as they were kept when the samples were dropped."""
    rows = store.read(manifest, "origins")
    for column, value in (("block", block), ("what", what), ("number", number)):
        rows = rows.filter(pc.equal(rows.column(column), value))
    return {row["file"]: (row["first_row"], row["last_row"]) for row in rows.to_pylist()}
