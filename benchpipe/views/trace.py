"""Trace a figure back to its raw rows: log file, rows, SHA-256, and whether the log is still what was taken."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.cyclic.tables import flag_names
from benchpipe.columns import floats
from benchpipe.errors import ConfigError, nearest
from benchpipe.process.origins import end_us, events_of, spans
from benchpipe.run import RunConfig
from benchpipe.samples.edges import edge_rows
from benchpipe.samples.inputs import sample_inputs
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.verify.files import log_fault
from benchpipe.verify.line import Status

Number = int | tuple[int, int]
AS_TAKEN = "the log is as it was taken"


@dataclass(frozen=True)
class LogRows:
    """First and last row of a log, and the SHA-256 of the file as it was taken."""

    file: str
    first: int
    last: int
    sha256: str


@dataclass(frozen=True)
class LogState:
    """Whether a log is still what was taken from it: ``holds``, ``changed`` or ``not known`` (gone), and how so."""

    status: Status
    text: str


@dataclass(frozen=True)
class Traced:
    """What is numbered in a block: its row of the table (of the first of several), their number, samples and time, and
    the rows of the logs they come from. Times are on the run's axis [us]; ``first`` and
    ``last`` are the lowest and highest number found."""

    row: dict[str, Any]
    logs: tuple[LogRows, ...]
    count: int
    samples: int
    first_us: int
    last_us: int
    first: int
    last: int


def traced(run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: Number) -> Traced:
    """Where a cycle, hold or sweep comes from, or several from one number to another.

    Raises
    ------
    ConfigError
        The plan has no such block, or the block no such cycle.
    """
    rows = event_rows(run, store, manifest, block, what, number)
    start = np.asarray(rows.column("start_us"), np.int64)
    until = end_us(start, floats(rows.column(events_of(run)[what].length)))
    first_us, last_us = int(start.min()), int(until.max())
    if manifest.closed:
        spans = _kept_rows(store, manifest, block, what, number)
    else:
        files = next(b.files for b in run.plan.block if b.name == block)
        spans = edge_rows(store.folder, sample_inputs(manifest, files), first_us, last_us)
    taken = {source.file: source.sha256 for source in manifest.sources}
    logs = tuple(LogRows(file, *ends, taken[file]) for file, ends in spans.items())
    samples = int(pc.sum(rows.column("samples")).as_py() or 0)
    ends = pc.min_max(rows.column(what)).as_py()
    row = rows.slice(0, 1).to_pylist()[0]
    return Traced(row, logs, rows.num_rows, samples, first_us, last_us, int(ends["min"]), int(ends["max"]))


def logs_after(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: int
) -> tuple[LogRows, ...]:
    """Where what lies between a cycle or sweep and the next one comes from: incomplete ones are there.

    From the first sample of the block where ``number`` is 0; none where the samples were dropped.
    """
    if manifest.closed:
        return ()
    of = spans(store, manifest, block, events_of(run)[what])
    before, after = np.flatnonzero(of.number == number), np.flatnonzero(of.number == number + 1)
    files = next(b.files for b in run.plan.block if b.name == block)
    inputs = sample_inputs(manifest, files)
    known = [us for one in inputs for us in (one.first_us, one.last_us) if us is not None]
    first_us = int(of.end_us[before[0]]) if before.size else min(known, default=0)
    last_us = int(of.start_us[after[0]]) if after.size else max(known, default=first_us)
    taken = {source.file: source.sha256 for source in manifest.sources}
    found = edge_rows(store.folder, inputs, first_us, last_us)
    return tuple(LogRows(file, *ends, taken[file]) for file, ends in found.items())


def event_rows(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: Number
) -> pa.Table:
    """Rows of the table of a cycle, hold or sweep, or of several from one number to another, in order.

    Raises
    ------
    ConfigError
        The plan has no such block, or the block no such cycle.
    """
    names = [b.name for b in run.plan.block]
    if block not in names:
        raise ConfigError(f"the plan has no block '{block}'", where=run.plan_path, expected=nearest(block, names))
    first, last = number if isinstance(number, tuple) else (number, number)
    events = events_of(run)[what]
    some = ["block", what, "start_us", events.length, "samples"] if isinstance(number, tuple) else None
    rows = store.read(manifest, events.table, some)  # of several, what is shown of them: there may be millions
    numbers = rows.column(what)
    inside = pc.and_(pc.greater_equal(numbers, first), pc.less_equal(numbers, last))
    rows = rows.filter(pc.and_(pc.equal(rows.column("block"), block), inside)).sort_by("start_us")
    if rows.num_rows == 0:
        asked = f"{what} {first}" if first == last else f"{what} from {first} to {last}"
        raise ConfigError(f"block '{block}' of run '{run.name}' has no {asked}")
    return rows


def span_of(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, what: str, number: int
) -> tuple[int, int, dict[str, Any]]:
    """First and last time [us] of a cycle, hold or sweep, and its row of the table; errors as of :func:`event_rows`."""
    row = event_rows(run, store, manifest, block, what, number).to_pylist()[0]
    start = int(row["start_us"])
    return start, start + round(1e6 * (row[events_of(run)[what].length] or 0.0)), row


def log_states(run: RunConfig, manifest: Manifest, logs: Iterable[LogRows]) -> dict[str, LogState]:
    """Whether each log is still what was taken from it: every byte of it is read."""
    found: dict[str, LogState] = {}
    for file in dict.fromkeys(rows.file for rows in logs):
        source = manifest.source(file)
        fault = log_fault(run.folder / file, source) if source is not None else None
        if fault is None:
            found[file] = LogState(Status.HOLDS, AS_TAKEN)
        else:
            word = "CHANGED" if fault[0] is Status.CHANGED else "NOT AS TAKEN"
            gone = not (run.folder / file).is_file()
            found[file] = LogState(fault[0], f"the log is {'GONE' if gone else word}: {fault[1]}")
    return found


def traced_lines(
    run: RunConfig, found: Traced, block: str, what: str, number: Number, states: dict[str, LogState]
) -> Iterator[str]:
    """The same of what was traced and compared before."""
    name = what.replace("_", " ")
    if isinstance(number, tuple):
        asked = f"{name}s {number[0]:,} to {number[1]:,}: {found.count:,} found, "
    else:
        asked = f"{what} {number}: "
    yield f"{run.name}, block {block}, {asked}{found.samples:,} samples"
    for rows in found.logs:
        yield f"  {run.folder / rows.file}, rows {rows.first:,} to {rows.last:,}"
        yield f"    SHA-256 of the file as it was taken: {rows.sha256}"
        yield f"    {states[rows.file].text}"
    if isinstance(number, tuple):
        return
    for column, value in found.row.items():
        if column == "flags":
            value = flag_names(value) or None
        if value is not None and column not in ("block", what, "start_us"):
            yield f"  {column} = {value}"


def _kept_rows(
    store: RunStore, manifest: Manifest, block: str, what: str, number: Number
) -> dict[str, tuple[int, int]]:
    """First and last rows as they were kept when the samples were dropped."""
    rows = store.read(manifest, "origins")
    for column, value in (("block", block), ("what", what)):
        rows = rows.filter(pc.equal(rows.column(column), value))
    first, last = number if isinstance(number, tuple) else (number, number)
    numbers = rows.column("number")
    rows = rows.filter(pc.and_(pc.greater_equal(numbers, first), pc.less_equal(numbers, last)))
    found: dict[str, tuple[int, int]] = {}
    for row in rows.to_pylist():
        begin, end = found.get(row["file"], (row["first_row"], row["last_row"]))
        found[row["file"]] = (min(begin, row["first_row"]), max(end, row["last_row"]))
    return found
