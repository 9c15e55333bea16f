"""A small run store, and ways to spoil it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pyarrow as pa

from benchpipe.store.manifest import Manifest, Placed, Source, Step, key_of
from benchpipe.store.notes import NIGHTS
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

SAMPLES = pa.schema(
    [("time_us", pa.int64()), ("row", pa.int64()), ("torque", pa.float32()), ("angle", pa.float32())]
)


def samples(first: int, count: int) -> pa.Table:
    """Rows of a samples table, at 50 Hz."""
    at = np.arange(first, first + count)
    wave = np.sin(0.1 * at).astype(np.float32)
    return pa.table([20_000 * at, at + 1, wave, 2 * wave], schema=SAMPLES)


def remarks(text: str) -> pa.Table:
    """A table of one row."""
    row = {"step": "check", "code": "x", "where": "here", "count": 1, "text": text}
    return pa.Table.from_pylist([row], schema=schema("remarks"))


def night(store: RunStore, number: int, manifest: Manifest | None = None) -> Manifest:
    """One more log of 200 rows, one table made of it, one commit."""
    manifest = store.manifest() if manifest is None else manifest
    rows = samples(200 * number, 200)
    key = key_of(["night", number])
    part = store.write("samples", rows, key)
    times = rows.column("time_us").to_pylist()
    source = Source(
        file=f"logs/{number}.csv", size=1, mtime_ns=1, sha256=key, key=key, rows=200, samples=200, rejects=0,
        first_us=times[0], last_us=times[-1], native_last_us=times[-1], parts=(part,),
    )  # fmt: skip
    placed = Placed(file=source.file, shift_us=0, after_us=None, repeats=0)
    made = Step(key=key, version=1, parts=(store.write("remarks", remarks(f"night {number}"), key),))
    return store.commit(
        manifest.model_copy(
            update={
                "sources": (*manifest.sources, source),
                "placed": (*manifest.placed, placed),
                "steps": {"process": made},
            }
        )
    )


def tree(folder: Path) -> dict[str, str]:
    """Hash of every file below a folder, but for the lock, its holder, and what nights keep of the hour."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in (".lock", ".holder.json") and NIGHTS not in path.parts
    }


def tables(store: RunStore) -> dict[str, pa.Table]:
    """Every table of the current manifest."""
    manifest = store.manifest()
    return {name: store.read(manifest, name) for name in {part.table for part in manifest.parts()}}
