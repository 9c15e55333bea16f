"""One log file → its parts of the samples and rejects tables, and the record of it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, cast

import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.errors import BenchpipeError, InputError
from benchpipe.escapes import quoted
from benchpipe.ingest.calibrate import channel_settings, last_change_us, samples_schema, table_ends, to_rows
from benchpipe.ingest.clock import MOST_HELD, Clock, PlacedRows
from benchpipe.ingest.early import EarlyRows
from benchpipe.ingest.landmarks import WIDTH, Landmarks
from benchpipe.ingest.moved import FARTHEST_US, Beginning
from benchpipe.ingest.native_time import native_time
from benchpipe.ingest.readback import last_rows, rows_until
from benchpipe.ingest.reading_state import Grown, ReadingState
from benchpipe.ingest.rejects import RejectWriter
from benchpipe.ingest.rows import Rows, holes_in, joined
from benchpipe.ingest.stuck import StuckChannels
from benchpipe.ingest.ticks import Ticks
from benchpipe.readers.batch import RawBatch, Reject
from benchpipe.readers.log_file import HashedLog, must_be_still, open_log, shrank
from benchpipe.readers.registry import read_log
from benchpipe.readers.text import read_and_make, read_text
from benchpipe.readers.text_state import TextState
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Part, Remark, Source, canonical
from benchpipe.store.parts import new_part
from benchpipe.store.run_store import RunStore
from benchpipe.stream.ordered import ordered_map

if TYPE_CHECKING:
    from hashlib import _Hash

VERSION = 8
WITH_RESOLUTION = 6  # the first version whose key holds the resolution of the clock
LONG_LINE = 100  # letters of a first line without end that are no header on its way
FEW_ROWS = 20  # so many rejects and no sample are no wrong rig file yet
MANY_LATE = 0.05  # of the rows of a log: a fault of the rig file more likely than of the clock
EVENTS = {
    "gap": "{n} gap(s) between samples; cycles do not span a gap",
    "restart": "the log's clock began again {n} time(s), after a pause of unknown length; cycles do not span a restart",
    "next day": "the time of day passed midnight {n} time(s)",
    "begin of summer time": "the clock went ahead by an hour {n} time(s), as at the begin of summer time: a gap",
    "end of summer time": "the clock went back by an hour {n} time(s), as at the end of summer time; rows go on",
    "clock set back": "the clock was set back {n} time(s); the rows from there stand later than it says",
    "clock ahead again": "the clock was right again {n} time(s) after it was set back",
}


def ingest_settings(rig: RigConfig, until_us: int | None = None, version: int = VERSION) -> dict[str, object]:
    """What of a rig file decides the samples (a new certificate number does not), those up to a time if given."""
    channels = [channel_settings(c, until_us) for c in rig.channel]
    unsaid = {"since"} if rig.time.since is None else set()
    if version < WITH_RESOLUTION and rig.time.resolution is None:
        unsaid.add("resolution")
    time = rig.time.model_dump(mode="json", exclude={"unit_in_log", *unsaid})
    return {"version": version, "log": rig.log.model_dump(mode="json"), "time": time, "channels": channels}


def source_key(rig: RigConfig, sha256: str, last_us: int | None, version: int = VERSION) -> str:
    """What a log's samples were made from; ``last_us`` is the time of the last, ``version`` that of the step."""
    settings = _settings(rig, last_change_us(rig.channel, last_us), version)
    return hashlib.sha256(b'{"settings":%b,"sha256":"%b"}' % (settings, sha256.encode())).hexdigest()


@lru_cache(maxsize=64)
def _settings(rig: RigConfig, until_us: int | None, version: int) -> bytes:
    """Canonical JSON of the settings: a rig has many logs, and few of them."""
    return canonical(ingest_settings(rig, until_us, version))


@dataclass
class _Tally:
    """Counts of one log, those of the nights before included."""

    read: int = 0
    samples: int = 0
    repeats: int = 0
    late: int = 0
    events: dict[str, int] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)
    restarts: list[int] = field(default_factory=list)
    missing: dict[str, int] = field(default_factory=dict)
    outside: dict[str, int] = field(default_factory=dict)
    tail: list[Reject] = field(default_factory=list)
    reader: TextState | None = None

    def add(self, placed: PlacedRows) -> None:
        self.repeats += placed.repeats
        self.late += sum(map(len, placed.early)) + sum(one.rows for one in placed.rejects)
        for event in (*placed.events, *["gap"] * placed.gaps):
            self.events[event] = self.events.get(event, 0) + 1
        self.places = placed.places | self.places
        self.restarts += placed.restarts
        for rows in placed.rows:
            self.samples += len(rows)
            for name, values in rows.values.items():
                holes = holes_in(values)
                if holes:
                    self.missing[name] = self.missing.get(name, 0) + holes


_Made = tuple[Rows, list[Reject]]


def _rows_of(rig: RigConfig, stuck: StuckChannels, batch: RawBatch) -> _Made:
    """Calibrated rows of a batch, and the rows without a time."""
    native, good = native_time(batch.time, rig.time)
    rows = to_rows(RawBatch(batch.row, batch.time, stuck.blank(batch.channels)), native, rig)
    if good.all():
        return rows, []
    lost = [Reject(int(r), 1, "a time beyond all calendars") for r in batch.row[~good]]
    return replace(rows.part(good), outside=rows.outside), lost


class _Reading:
    """A log on its way into the store: numbers, calibrated, placed in time, counted."""

    def __init__(self, rig: RigConfig, store: RunStore, grown: Grown | None) -> None:
        self.rig, self.decided, self.schema = rig, True, samples_schema(rig)
        known, state = grown or (None, None)
        self.spare = known is not None and known.spare
        self.tally = _Tally()
        before = None
        if known is not None and state is not None:
            self.tally = _Tally(
                known.rows - state.tail_rows, known.samples, known.repeats, state.late, dict(state.events),
                dict(state.places), list(known.restarts), dict(known.missing), dict(state.outside), reader=state.reader,
            )  # fmt: skip
            before = last_rows(store, known, MOST_HELD, state.clock.since_us)
            before = before.at(before.time_us - state.clock.shift_us) if before is not None else None
        self.ticks = Ticks(rig.time, state.ticks if state else None)
        self.clock = Clock(rig.time, state.clock if state else None, before)
        last = last_rows(store, known, WIDTH - 1, None) if known is not None else None
        names = [c.name for c in rig.channel]
        load, motion = (axis.channel if axis.channel in names else names[0] for axis in (rig.load, rig.motion))
        self.landmarks = Landmarks((load, motion), last, known.samples if known is not None else 0)
        self.early = EarlyRows()
        self.begin = Beginning()
        if known is not None and known.begins is None and rig.time.dated:
            for rows in rows_until(store, known, FARTHEST_US):
                self.begin.add(rows)
        self.stuck = StuckChannels(rig, state.stuck if state else None)
        if state is not None:
            self.stuck.counts = dict(state.stuck_counts)

    def batches(self, path: Path, file: IO[bytes]) -> Iterator[tuple[RawBatch, _Made]]:
        """What the log's reader finds, and the rows that it makes."""
        make = partial(_rows_of, self.rig, self.stuck)
        if self.rig.log.format != "text":
            return ((batch, make(batch)) for batch in read_log(path, file, self.rig))
        if not self.stuck:
            return read_and_make(make, path, file, self.rig, self.tally.reader)
        return ((batch, make(batch)) for batch in read_text(path, file, self.rig, self.tally.reader))

    def tables(self, batches: Iterator[tuple[RawBatch, _Made]], rejects: RejectWriter) -> Iterator[pa.Table]:
        """Samples, ready to be written."""
        for batch, (rows, lost) in batches:
            self.tally.read += len(batch.row) + sum(r.rows for r in batch.rejects)
            self.tally.reader = batch.state or self.tally.reader
            self.spare = self.spare or batch.spare
            if batch.tail:
                self.tally.tail += batch.rejects
                continue
            for name, count in rows.outside.items():
                self.tally.outside[name] = self.tally.outside.get(name, 0) + count
            placed = self.clock.place(self.ticks.spread(rows))
            found = [*batch.rejects, *lost, *placed.rejects, *self.ticks.lacking()]
            rejects.add(sorted(found, key=lambda r: r.row))
            yield from self._samples(placed)
        held = self.ticks.finish()
        last = [self.clock.place(held)] if held is not None else []
        self.decided = self.ticks.decided and not self.clock.holds
        for placed in (*last, self.clock.finish()):
            rejects.add(sorted([*placed.rejects, *self.ticks.lacking()], key=lambda r: r.row))
            yield from self._samples(placed)

    def _samples(self, placed: PlacedRows) -> Iterator[pa.Table]:
        self.tally.add(placed)
        for rows in placed.early:
            self.early.add(rows)
        for rows in placed.rows if self.rig.time.dated else ():
            self.begin.add(rows)
        if placed.rows:
            rows = joined(placed.rows)
            self.landmarks.add(rows)
            yield rows.table(self.schema)

    def state(self, tail: Part | None) -> ReadingState | None:
        """What is needed to go on when the log has grown; None where that is to read it whole.

        So it is where the log ends in rows after the clock fell back, or where its first few rows may end in a
        separator too many: more rows may show them to be others. And where no row was taken yet: a log of which none
        can be is refused, however many nights it took to grow.
        """
        reader = self.tally.reader
        none_yet = not self.tally.samples + self.tally.repeats
        if reader is None or not reader.final or not self.decided or none_yet:
            return None
        return ReadingState(
            reader=reader, ticks=self.ticks.state, clock=self.clock.state, stuck=self.stuck.state,
            stuck_counts=self.stuck.counts, events=self.tally.events, places=self.tally.places, late=self.tally.late,
            outside=self.tally.outside, tail=tail.path if tail else None,
            tail_rows=sum(r.rows for r in self.tally.tail),
        )  # fmt: skip


def ingest_file(
    path: Path, name: str, rig: RigConfig, store: RunStore, grown: Grown | None = None, so_far: _Hash | None = None
) -> Source:
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
    grown : Grown, optional
        What was taken before the log grew: only what is new is read.
    so_far : hash, optional
        Over the bytes that were taken.

    Raises
    ------
    InputError
        The log cannot be used at all.
    """
    before = path.stat()
    reading = _Reading(rig, store, grown)
    tally = reading.tally
    known = grown.source if grown is not None else None
    old = [p for p in known.parts if p != known.tail] if known is not None else []
    rejected = grown.source.rejects - grown.state.tail_rows if grown is not None else 0
    with ExitStack() as stack:
        writer = stack.enter_context(new_part(store.folder, "samples", samples_schema(rig)))
        rejects = stack.enter_context(RejectWriter(store, name))
        file = stack.enter_context(open_log(path))
        growing = rig.log.format == "text"
        start = known.taken if known is not None else 0
        hashed = stack.enter_context(HashedLog(file, before.st_size, start, so_far)) if growing else None
        source = cast(IO[bytes], hashed or file)
        batches = reading.batches(path, source)  # the process that reads binary logs begins here
        taken, sha = (before.st_size, "") if growing else (before.st_size, sha256_of(path))
        for _ in ordered_map(writer.write, reading.tables(batches, rejects), workers=1):
            pass
        if hashed is None:
            must_be_still(path, before)
        elif path.stat().st_size < before.st_size:
            raise shrank(path)
        else:
            taken, sha = hashed.sha256(path, tally.reader.offset if tally.reader else None)
        rejected += rejects.rows
        if known is None and tally.samples + tally.repeats == 0:
            _something_must_be_taken(path, rejects, tally.tail)
        key = source_key(rig, sha, reading.clock.last_us)
        new = [writer.finish(key)] if writer.rows else []
        new += rejects.finish(key)
    new += reading.landmarks.write(store, key) + reading.early.write(store, key)
    early = reading.early.count + (known.early if known else 0)
    early_us = [us for us in (reading.early.first_us, known.early_us if known else None) if us is not None]
    tail = _write_tail(store, name, tally.tail, key)
    rejected += sum(r.rows for r in tally.tail)
    if tally.read != tally.samples + rejected + tally.repeats + early:
        raise BenchpipeError(
            f"the rows of the log do not add up: {tally.read:,} read, {tally.samples:,} samples, {rejected:,} rejects, "
            f"{tally.repeats:,} repeats, {early:,} before the first",
            where=path,
            do_next="this is a fault of the program; nothing of the log was taken",
        )
    state = reading.state(tail)
    return Source(
        file=name,
        size=before.st_size,
        mtime_ns=before.st_mtime_ns,
        sha256=sha,
        key=key,
        taken=taken,
        rows=tally.read,
        samples=tally.samples,
        rejects=rejected,
        repeats=tally.repeats,
        first_us=reading.clock.first_us,
        last_us=reading.clock.last_us,
        native_last_us=reading.clock.native_last_us,
        restarts=tuple(tally.restarts),
        missing=tally.missing,
        parts=(*old, *new, *([tail] if tail else [])),
        remarks=tuple(_remarks(name, reading, rejected)),
        state=state.stored if state is not None else None,
        stamps=reading.ticks.stamps,
        spare=reading.spare,
        early_us=min(early_us, default=None),
        begins=(known.begins if known else None) or reading.begin.sha256,
    )


def _write_tail(store: RunStore, name: str, tail: list[Reject], key: str) -> Part | None:
    """Rejects that the next night may take back, in a part of their own."""
    with RejectWriter(store, name) as writer:
        writer.add(tail)
        return next(iter(writer.finish(key)), None)


def _something_must_be_taken(path: Path, rejects: RejectWriter, tail: list[Reject]) -> None:
    """Refuse a log of which no row can be taken, unless there are hardly any yet."""
    first, rejected = rejects.first, rejects.rows
    if rejected == 0 and any(one.rows and len(one.text or "") >= LONG_LINE for one in tail):  # no header on its way
        first, rejected = tail[0], FEW_ROWS
    if first is not None and rejected >= FEW_ROWS:
        raise InputError(
            f"no row of the log could be taken: {first.reason}",
            where=f"{path}:{first.row}",
            expected="rows as the rig file's [log] and [time] describe them",
            got=first.text,
            do_next=f"check the rig file against the log: benchpipe inspect {quoted(path)}",
        )


def _remarks(name: str, reading: _Reading, rejected: int) -> Iterator[Remark]:
    tally, remark = reading.tally, partial(Remark, step="ingest", where=name)
    if tally.samples == 0:
        none = "the log holds no rows" if not rejected else "no row of the log could be taken"
        yield remark(code="empty", count=rejected or 1, text=none)
    for event, count in sorted(tally.events.items(), key=lambda one: (tally.places[one[0]], one[0])):
        first = f" ({'the first ' if count > 1 else ''}before row {tally.places[event]:,})"
        yield remark(code=event.replace(" ", "-"), count=count, text=EVENTS[event].format(n=count) + first)
    if (ticks := reading.ticks).kept:
        yield remark(code="coarse-clock", count=ticks.kept, text=ticks.text)
    if ticks.thin:
        text = f"{ticks.thin:,} stamp(s) have half of their rows or fewer: rows are missing there"
        yield remark(code="thin-stamps", count=ticks.thin, text=text)
    if tally.late > MANY_LATE * tally.read:
        text = (
            f"{tally.late:,} of {tally.read:,} rows are rejected because their time does not rise. If the clock counts "
            "in steps longer than a sample, state the step in [time] resolution, and the true sample_rate"
        )
        yield remark(code="late", count=tally.late, text=text)
    if tally.repeats:
        text = f"{tally.repeats:,} duplicate row{'s' * (tally.repeats > 1)} removed (same time and values)"
        yield remark(code="repeats", count=tally.repeats, text=text)
    for channel, count in reading.stuck.counts.items():
        text = f"'{channel}' dropped out: {count:,} row(s) repeat its last value; they have none"
        yield remark(code="dropout", count=count, text=text)
    for channel, count in tally.outside.items():
        ends = ", ".join(f"{low:.6g} to {high:.6g}" for low, high in table_ends(reading.rig.find(channel)))
        text = f"{count:,} row(s) of '{channel}' lie outside its calibration table ({ends} raw): they have no value"
        yield remark(code="outside-table", count=count, text=text)
    for channel, holes in tally.missing.items():
        yield remark(code="missing", count=holes, text=f"{holes:,} row(s) without a value of '{channel}'")
