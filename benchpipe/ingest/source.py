"""One log file → its parts of the samples and rejects tables, and the record of it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np
import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.ingest.batch import RawBatch, Reject
from benchpipe.ingest.calibrate import channel_settings, samples_schema, to_samples
from benchpipe.ingest.clock import Clock, Placement
from benchpipe.ingest.readers import read_log
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Remark, Source, key_of
from benchpipe.store.parts import new_part
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

VERSION = 1


def ingest_settings(rig: RigConfig) -> dict[str, object]:
    """What of a rig file decides the samples (a new certificate number does not)."""
    channels = [channel_settings(c) for c in rig.channel]
    time = rig.time.model_dump(mode="json", exclude={"gap_samples"})
    return {"version": VERSION, "log": rig.log.model_dump(mode="json"), "time": time, "channels": channels}


@dataclass
class _Tally:
    """Counts while a file is read."""

    samples: int = 0
    first_us: int | None = None
    restarts: int = 0
    missing: dict[str, int] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)

    def add(self, batch: RawBatch, placement: Placement, taken: pa.Table) -> None:
        self.rejects += batch.rejects
        self.rejects += _stuck_clock(batch, placement)
        self.restarts += placement.restarts
        if taken.num_rows and self.first_us is None:
            self.first_us = taken.column("time_us")[0].as_py()
        self.samples += taken.num_rows
        for name in taken.column_names[2:]:
            holes = int(np.isnan(batch.channels[name][placement.keep]).sum())
            if holes:
                self.missing[name] = self.missing.get(name, 0) + holes


def _stuck_clock(batch: RawBatch, placement: Placement) -> Iterator[Reject]:
    """Rows whose time does not rise, as stretches."""
    lost = np.flatnonzero(~placement.keep)
    for stretch in np.split(lost, np.flatnonzero(np.diff(lost) != 1) + 1) if lost.size else []:
        yield Reject(int(batch.row[stretch[0]]), len(stretch), "the time does not rise")


@contextmanager
def open_log(path: Path) -> Iterator[IO[bytes]]:
    """Open a raw log for reading, and nothing else."""
    try:
        with path.open("rb") as file:
            yield file
    except OSError as error:
        raise InputError(f"the log cannot be read: {error.strerror}", where=path) from None


def ingest_file(path: Path, name: str, rig: RigConfig, store: RunStore) -> Source:
    """Read one log into the store.

    Parameters
    ----------
    path : Path
        The log; it is only read.
    name : str
        Its name in the tables: the path relative to the plan.
    rig : RigConfig
    store : RunStore
        Parts are written here; they count once the manifest names them.

    Raises
    ------
    InputError
        The log cannot be used at all.
    """
    before = path.stat()
    sha = sha256_of(path)
    key = key_of({"settings": ingest_settings(rig), "sha256": sha})
    clock, tally = Clock(rig.time), _Tally()
    with ExitStack() as stack:
        writer = stack.enter_context(new_part(store.folder, "samples", samples_schema(rig)))
        file = stack.enter_context(open_log(path))
        for batch in read_log(path, file, rig):
            placement = clock.place(batch.time)
            samples = to_samples(batch, placement, rig)
            tally.add(batch, placement, samples)
            writer.write(samples)
        _must_be_still(path, before)
        if tally.samples == 0 and tally.rejects:
            _nothing_taken(path, tally.rejects)
        parts = [writer.finish(key)] if tally.samples else []
    if tally.rejects:
        parts.append(store.write("rejects", rejects_table(name, tally.rejects), key))
    rejected = sum(r.rows for r in tally.rejects)
    return Source(
        file=name,
        size=before.st_size,
        mtime_ns=before.st_mtime_ns,
        sha256=sha,
        key=key,
        rows=tally.samples + rejected,
        samples=tally.samples,
        rejects=rejected,
        first_us=tally.first_us,
        last_us=clock.last_us,
        native_last_us=clock.native_last_us,
        missing=tally.missing,
        parts=tuple(parts),
        remarks=tuple(_remarks(name, tally)),
    )


def rejects_table(name: str, rejects: list[Reject]) -> pa.Table:
    """Rejects as rows of the rejects table."""
    rows = [{"file": name, "row": r.row, "rows": r.rows, "reason": r.reason, "text": r.text} for r in rejects]
    return pa.Table.from_pylist(rows, schema=schema("rejects"))


def _must_be_still(path: Path, before: os.stat_result) -> None:
    after = path.stat()
    if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
        raise InputError(
            "the log changed while it was read",
            where=path,
            do_next="run again when the rig has closed the file; nothing of it was taken",
        )


def _nothing_taken(path: Path, rejects: list[Reject]) -> None:
    first = rejects[0]
    raise InputError(
        f"no row of the log could be taken ({sum(r.rows for r in rejects):,} rejected): {first.reason}",
        where=f"{path}:{first.row}",
        got=first.text,
        do_next="check the rig file's [log] and [time] against the log",
    )


def _remarks(name: str, tally: _Tally) -> Iterator[Remark]:
    if tally.samples == 0 and not tally.rejects:
        yield Remark(step="ingest", code="empty", where=name, count=1, text="the log holds no rows")
    if tally.restarts:
        text = f"the rig's clock restarted {tally.restarts} time(s); cycles do not span a restart"
        yield Remark(step="ingest", code="restart", where=name, count=tally.restarts, text=text)
    for channel, holes in tally.missing.items():
        text = f"{holes:,} row(s) without a value of '{channel}'"
        yield Remark(step="ingest", code="missing", where=name, count=holes, text=text)
