"""What the store knows besides the cycles: stops, gaps, restarts, shifted zeros, new calibrations.

Stops, gaps and shifts are taken from whole days of the table of cycles, each with what the days before left, so that
they are the same whichever nights the days came in.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, time
from itertools import pairwise

import numpy as np
import pyarrow as pa
from pydantic import Field

from benchpipe.blocks.cyclic.restarts import CYCLES, LEAST, zero_shifts
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.config.planned import PLANNED_KINDS
from benchpipe.drift.reading import days_of
from benchpipe.drift.watched import DAY_US, LogEntry
from benchpipe.run import RunConfig
from benchpipe.store.pauses import RunClock
from benchpipe.store.run_notes import RunNote
from benchpipe.store.state import State

LEAST_S = 60.0
"""A stop so long is named beside an event: time enough to touch the specimen (common practice, no source)."""
PLACES = (("segment", np.int64), ("start_us", np.int64))
EDGES = ("peak_load", "valley_load", "motion_max", "motion_min")


class LastRows(State):
    """The end of the days that are in: the last row, and the last complete cycles of the last segment that has some.

    ``row``: segment, end [us], flags. ``cycles``: segment, start [us], and largest and smallest load and motion.
    """

    row: tuple[int, int, int] | None = None
    cycles: tuple[tuple[int, int, float, float, float, float], ...] = ()


class DayEntries(State):
    """Entries of whole days (kind, time [us]), and their end."""

    entries: tuple[tuple[str, int], ...] = ()
    last: LastRows = Field(default_factory=LastRows)


def seen_after(seen: DayEntries, rows: pa.Table, clock: RunClock, rate: float) -> DayEntries:
    """What whole days of rows add."""
    start = np.array(rows.column("start_us"), np.int64)
    for _, day in days_of(start, DAY_US):
        one = rows.slice(day.start, day.stop - day.start)
        stops, row = _stops(seen.last, one, clock, rate)
        shifts, cycles = _shifts(seen.last, one)
        found = sorted({*stops, *shifts}, key=lambda entry: (entry[1], entry[0]))
        seen = DayEntries(entries=(*seen.entries, *found), last=LastRows(row=row, cycles=cycles))
    return seen


def _stops(
    before: LastRows, rows: pa.Table, clock: RunClock, rate: float
) -> tuple[list[tuple[str, int]], tuple[int, int, int]]:
    """Where the rig goes on after a stop or a gap of the log; the clock says by itself where it began again."""
    segment, start, samples, flags = (
        np.array(rows.column(name), np.int64) for name in ("segment", "start_us", "samples", "flags")
    )
    period = rows.column("period_s").combine_chunks().to_numpy(zero_copy_only=False).astype(np.float64)
    length = np.where(np.isfinite(period), period, samples / rate)
    end = start + np.round(1e6 * length).astype(np.int64)
    if before.row is not None:
        segment, end, flags = (np.insert(v, 0, x) for v, x in zip((segment, end, flags), before.row, strict=True))
        start = np.insert(start, 0, before.row[1])
    found = []
    for i in np.flatnonzero((np.diff(segment) != 0) & (start[1:] - end[:-1] >= 1e6 * LEAST_S)).tolist():
        at, since = int(start[i + 1]), int(end[i])
        if not any(since < us <= at for us in clock.restarts_us):
            found.append(("gap" if flags[i] & int(CycleFlag.BROKEN_OFF) else "stop", at))
    return found, (int(segment[-1]), int(end[-1]), int(flags[-1]))


def _shifts(
    before: LastRows, rows: pa.Table
) -> tuple[list[tuple[str, int]], tuple[tuple[int, int, float, float, float, float], ...]]:
    """Zeros that moved with a new segment, by its cycles of that day alone; and what the next day compares with."""
    rows = rows.filter(rows.column("complete"))
    kept = [np.array(column) for column in zip(*before.cycles, strict=True)] or [np.zeros(0)] * (2 + len(EDGES))
    new = [np.array(rows.column(name), kind) for name, kind in (*PLACES, *((name, np.float64) for name in EDGES))]
    segment, start = (np.concatenate([a.astype(np.int64), b]) for a, b in zip(kept[:2], new[:2], strict=True))
    edges = [np.concatenate([a, b]) for a, b in zip(kept[2:], new[2:], strict=True)]
    begins = len(before.cycles)
    found = set()
    if rows.num_rows and np.any(segment != segment[0]):
        for high, low in (edges[:2], edges[2:]):
            # however small: a step of either end of the range is seen from a part of its scatter on
            for shift in zero_shifts(start, segment, np.ones(start.size, bool), high, low, least_part=0.0):
                if shift.start_us >= start[begins]:
                    found.add(("zero_shift", shift.start_us))
    last = slice(_tail(segment), None)
    cycles = zip(segment[last].tolist(), start[last].tolist(), *(edge[last].tolist() for edge in edges), strict=True)
    return sorted(found), tuple(cycles)


def _tail(segment: np.ndarray[tuple[int], np.dtype[np.int64]]) -> int:
    """First of the cycles that the next day needs: the end of the last stretch that is long enough, and the rest."""
    cuts = [0, *(np.flatnonzero(np.diff(segment)) + 1).tolist(), segment.size]
    long = [(a, b) for a, b in pairwise(cuts) if b - a >= LEAST]
    return max(long[-1][0], long[-1][1] - CYCLES) if long else 0


def all_entries(
    run: RunConfig, clock: RunClock, seen: DayEntries, planned: Sequence[LogEntry] = (), notes: Sequence[RunNote] = ()
) -> list[LogEntry]:
    """Entries of a block in order of time; planned work first."""
    found = [*planned, *(LogEntry(kind, at) for kind, at in seen.entries)]
    found += [LogEntry(note.kind, note.at_us, note.text, expected=note.kind in PLANNED_KINDS) for note in notes]
    found += [LogEntry("restart", us) for us in clock.restarts_us]
    return sorted([*found, *_calibrations(run)], key=lambda entry: (entry.start_us, entry.kind))


def _calibrations(run: RunConfig) -> Iterator[LogEntry]:
    """Days from which another calibration of load or motion holds."""
    if not run.rig.time.dated:
        return
    used = {run.rig.load.channel, run.rig.motion.channel}
    for channel in run.rig.channel:
        for one in channel.calibrations[1:] if channel.name in used else ():
            if one.valid_from is not None:
                midnight = datetime.combine(one.valid_from, time(), UTC)
                yield LogEntry("calibration", round(midnight.timestamp() * 1e6), channel.name)
