"""From a figure back to the raw rows: log file, rows, SHA-256."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow.compute as pc

from benchpipe.config.run import RunConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import sample_inputs, stream_samples

TABLE_OF = {"cycle": "cycles", "hold": "holds", "sweep": "sweeps"}


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
    spans: dict[str, list[int]] = {}
    inputs = sample_inputs(manifest, named[block].files)
    for batch in stream_samples(store.folder, inputs, ["row"], start, until):
        first, last = int(batch.columns["row"][0]), int(batch.columns["row"][-1])
        span = spans.setdefault(batch.file, [first, last])
        span[1] = last
    for file, (first, last) in spans.items():
        yield f"  {run.folder / file}, rows {first:,} to {last:,}"
        yield f"    SHA-256 of the file as it was taken: {shas[file].sha256}"
    for name, value in row.items():
        if value is not None and name not in ("block", what, "start_us"):
            yield f"  {name} = {value}"
