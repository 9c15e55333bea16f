"""Which rows of which log each cycle, hold and sweep comes from: kept when the samples themselves are dropped."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.base import Events
from benchpipe.blocks.registry import kinds_of
from benchpipe.columns import floats
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import SampleBatch, stream_samples, stream_second
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema

Numbers = NDArray[np.int64]


@dataclass(frozen=True)
class EventSpans:
    """Numbered things of one block: their first and last times on the run's axis, rising starts.

    Attributes
    ----------
    number, start_us, end_us : int64 arrays, shape (k,)
    """

    number: Numbers
    start_us: Numbers
    end_us: Numbers


def events_of(run: RunConfig) -> dict[str, Events]:
    """What is numbered in the blocks of a plan, by the column that numbers it: ``cycle``, ``hold`` …"""
    kinds = kinds_of(block.kind for block in run.plan.block)
    return {kind.events.number: kind.events for kind in kinds if kind.events is not None}


def spans(store: RunStore, manifest: Manifest, block: str, events: Events) -> EventSpans:
    """Time spans of all complete cycles, or of all holds or sweeps, of a block."""
    table, what, length = events.table, events.number, events.length
    rows = store.read(manifest, table, ["block", what, "start_us", length])
    rows = rows.filter(pc.and_(pc.equal(rows.column("block"), block), pc.is_valid(rows.column(what))))
    rows = rows.sort_by("start_us")
    start = np.asarray(rows.column("start_us"), np.int64)
    return EventSpans(np.asarray(rows.column(what), np.int64), start, end_us(start, floats(rows.column(length))))


def end_us(start_us: Numbers, length_s: NDArray[np.float64]) -> Numbers:
    """Last time of a thing; its start where its length is not known."""
    return start_us + np.rint(1e6 * np.nan_to_num(length_s)).astype(np.int64)


def origins(run: RunConfig, store: RunStore, manifest: Manifest) -> pa.Table:
    """The origins table of a run, from its samples.

    Raises
    ------
    StoreError
        Samples are damaged or dropped.
    """
    pieces = [schema("origins").empty_table()]
    for block in run.plan.block:
        for what, events in events_of(run).items():
            of = spans(store, manifest, block.name, events)
            if of.number.size:
                pieces += _rows_of(of, run, store, manifest, block.name, block.files, what)
    return pa.concat_tables(pieces)


def _rows_of(
    of: EventSpans, run: RunConfig, store: RunStore, manifest: Manifest, block: str, files: tuple[str, ...], what: str
) -> Iterator[pa.Table]:
    """One table a log file: the first and last of its rows in each thing."""
    inputs = sample_inputs(manifest, files)
    span = int(of.start_us.min()), int(of.end_us.max())
    for streamed in (stream_samples, stream_second):
        yield from _rows_in(of, streamed(store.folder, inputs, ["row"], *span), block, what)


def _rows_in(of: EventSpans, batches: Iterator[SampleBatch], block: str, what: str) -> Iterator[pa.Table]:
    file, first, last = "", _nothing(of), _nothing(of)
    ends_so_far = np.maximum.accumulate(of.end_us)
    for batch in batches:
        if not batch.time_us.size:
            continue
        if batch.file != file:
            yield from _of_file(of, block, what, file, first, last)
            file, first, last = batch.file, _nothing(of), _nothing(of)
        time, row = batch.time_us, batch.columns["row"]
        here = slice(np.searchsorted(ends_so_far, time[0]), np.searchsorted(of.start_us, time[-1], "right"))
        begin = np.searchsorted(time, of.start_us[here], "left")
        end = np.searchsorted(time, of.end_us[here], "right")
        inside = np.flatnonzero(begin < end)
        at = inside + here.start
        first[at] = np.where(first[at] < 0, row[begin[inside]], first[at])
        last[at] = row[end[inside] - 1]
    yield from _of_file(of, block, what, file, first, last)


def _nothing(of: EventSpans) -> Numbers:
    return np.full(of.number.shape, -1, np.int64)


def _of_file(of: EventSpans, block: str, what: str, file: str, first: Numbers, last: Numbers) -> Iterator[pa.Table]:
    there = np.flatnonzero(first >= 0)
    if there.size:
        named = {"block": block, "what": what, "file": file}
        arrays = {
            **{name: pa.repeat(pa.scalar(text, pa.string()), there.size) for name, text in named.items()},
            "number": pa.array(of.number[there].astype(np.int32)),
            "first_row": pa.array(first[there]),
            "last_row": pa.array(last[there]),
        }
        chosen = schema("origins")
        yield pa.table([arrays[name] for name in chosen.names], schema=chosen)
