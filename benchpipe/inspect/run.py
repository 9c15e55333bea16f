"""Logs without a description → everything that can be found in them."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import EntryPoint
from pathlib import Path

import numpy as np

from benchpipe.errors import BenchpipeError, InputError, MissingExtraError
from benchpipe.inspect.agreement import agree
from benchpipe.inspect.channels import channel_names, find_channels, without_sentinels
from benchpipe.inspect.columnar_log import outline_columnar, sample_columnar
from benchpipe.inspect.findings import (
    ChannelFinding,
    Choice,
    ColumnKey,
    Inspection,
    LogColumn,
    LogSample,
    Outline,
    Question,
    TimeFinding,
)
from benchpipe.inspect.heading import known_unit
from benchpipe.inspect.loggers import must_have_one_clock, of_offset, tell_loggers
from benchpipe.inspect.plugin_log import outline_plugin, sample_plugin
from benchpipe.inspect.questions import of_channels, of_choices, of_signs
from benchpipe.inspect.record_log import outline_records, sample_records
from benchpipe.inspect.rhythm import find_frequency, find_glimpse
from benchpipe.inspect.roles import RoleFinding, find_roles
from benchpipe.inspect.samples import LEAST_PIECE_BYTES, PIECE_BYTES
from benchpipe.inspect.states import find_states
from benchpipe.inspect.text_outline import outline_text
from benchpipe.inspect.text_sample import sample_text
from benchpipe.inspect.time_column import columns_of, counts, find_time
from benchpipe.readers.log_file import open_log
from benchpipe.readers.reader_process import call_apart
from benchpipe.readers.registry import READERS, plugin_columns
from benchpipe.readers.workbook import is_workbook, sheet_text

MOST_ROWS = 900_000  # of all logs together
Progress = Callable[[str], None]


def inspect_logs(
    logs: list[Path], *, encoding: str | None = None, strangers: Collection[Path] = (),
    on_progress: Progress | None = None,
) -> Inspection:  # fmt: skip
    """Find what logs of one rig hold.

    Parameters
    ----------
    logs : list of Path
        They are only read; of large ones the beginning, middle and end.
    encoding : str, optional
        Encoding of text logs, where it is known.
    strangers : collection of Path
        Those that come from a folder: files that are no logs are left out, with a note.
    on_progress : callable, optional
        Called with the name of each log.

    Raises
    ------
    InputError
        A log cannot be read or is no log, or the logs are not of one dialect.
    MissingExtraError
        The format needs a library that is not installed.
    """
    with np.errstate(over="ignore", invalid="ignore"):  # a damaged log may hold any number
        return _inspected(logs, encoding, set(strangers), on_progress)


def _inspected(
    logs: list[Path], encoding: str | None, strangers: set[Path], on_progress: Progress | None
) -> Inspection:
    logs, empty = _with_bytes(logs)
    outlines, left_out = _outlines(logs, encoding, strangers, on_progress)
    told = tell_loggers(outlines, strangers)
    first = _look(told.first, least=1 if told.second else 2)
    notes = (*empty, *left_out, *told.notes)
    if told.second:
        other = _look(told.second, least=1, used={c.name for c in first.inspection.channels})
        return _two_loggers(first, other, notes)
    found = first.inspection
    load, motion = (first.keys.get(found.roles.get(axis, "")) for axis in ("load", "motion"))
    signs = of_signs(first.samples, load, motion)
    questions = (*of_choices(found.outline), *found.time.questions, *first.of_roles, *signs)
    return replace(
        found,
        frequency_hz=(frequency := _frequency(first.samples, load, motion, found.time)),
        glimpse=find_glimpse(first.samples, load, motion, found.time, frequency),
        questions=questions,
        notes=(*notes, *found.notes),
    )


@dataclass(frozen=True)
class _Looked:
    """What one logger's logs hold, without what both axes are needed for; ``states`` can be the mode only."""

    inspection: Inspection
    samples: list[LogSample]
    states: tuple[ChannelFinding, ...]
    of_roles: tuple[Question, ...]

    @property
    def keys(self) -> dict[str, ColumnKey]:
        return {c.name: c.key for c in self.inspection.channels}


def _look(outlines: dict[Path, Outline], *, least: int, used: Collection[str] = ()) -> _Looked:
    """Look at the logs of one logger, with ``least`` columns of measurements; ``used`` are channels of another."""
    logs = list(outlines)
    outline = agree(logs, list(outlines.values()))
    samples = []
    for path in logs:
        with _placed(path):
            samples.append(_sample(path, outline, len(logs)))
    time = find_time(outline, samples)
    with _placed(logs[0]):
        columns, dropped = _measured(outline, samples, time.column, least)
    names = channel_names(outline, used)
    channels = find_channels(columns, samples, names)
    samples = without_sentinels(samples, channels)
    states = find_states(logs, outline, names)
    found, channels, questions = _roles(channels, states.channels)
    inspection = Inspection(
        logs=tuple(logs),
        size=sum(path.stat().st_size for path in logs),
        outline=outline,
        sample=_together(samples),
        time=time,
        channels=(*channels, *states.channels),
        roles=found.roles,
        axes=found.axes,
        frequency_hz=float("nan"),
        glimpse=None,
        questions=(),
        notes=(*outline.notes, *time.notes, *dropped, *states.notes, *found.notes),
    )
    return _Looked(inspection, samples, states.channels, questions)


def _roles(
    channels: list[ChannelFinding], states: tuple[ChannelFinding, ...]
) -> tuple[RoleFinding, list[ChannelFinding], tuple[Question, ...]]:
    found = find_roles(channels, list(states))
    channels = [replace(c, unit=found.units.get(c.name, c.unit)) for c in channels]
    return found, channels, (*of_channels(channels, found.roles), *found.questions)


def _two_loggers(one: _Looked, other: _Looked, notes: tuple[str, ...]) -> Inspection:
    """Both loggers together: the slower is the first, at whose times they are joined."""
    one, other = sorted((one, other), key=lambda looked: np.nan_to_num(looked.inspection.time.rate_hz))
    first, second = one.inspection, other.inspection
    must_have_one_clock(first, second)
    states = (*one.states, *other.states)
    measured = [c for c in (*first.channels, *second.channels) if c not in states]
    found, _, of_roles = _roles(measured, states)
    of_second = [replace(q, key=f"second.{q.key}") for q in (*of_choices(second.outline), *second.time.questions)]
    frequencies = [
        find_frequency(looked.samples, looked.keys.get(found.roles.get(axis, "")), looked.inspection.time)
        for axis in ("load", "motion") for looked in (one, other)
    ]  # fmt: skip
    joined = f"load and motion are in logs of two loggers: {first.logs[0].name} and {second.logs[0].name}"
    return replace(
        first,
        second=replace(second, roles=found.roles),
        roles=found.roles,
        axes=found.axes,
        frequency_hz=next((f for f in frequencies if np.isfinite(f)), float("nan")),
        questions=(*of_choices(first.outline), *first.time.questions, *of_second, *of_roles, *of_offset(first, second)),
        notes=(*notes, joined, *first.notes, *second.notes),
    )


def _outlines(
    logs: list[Path], encoding: str | None, strangers: set[Path], on_progress: Progress | None
) -> tuple[dict[Path, Outline], list[str]]:
    """Outlines of the logs, and notes on what is no log, or of another format than most."""
    outlines: dict[Path, Outline] = {}
    refused: dict[Path, BenchpipeError] = {}
    plugins = plugin_columns()
    for path in logs:
        if on_progress is not None:
            on_progress(path.name)
        try:
            with _placed(path):
                outlines[path] = _outline(path, encoding, plugins)
        except (InputError, MissingExtraError) as error:
            if path not in strangers:
                raise
            refused[path] = error
    if not outlines:
        raise next(iter(refused.values()))
    usual = Counter(outline.format for outline in outlines.values()).most_common(1)[0][0]
    others = {p: o.format for p, o in outlines.items() if o.format != usual and p in strangers}
    notes = [f"{path.name} is left out, it is no log: {error.what}" for path, error in refused.items()]
    notes += [f"{path.name} is left out: its format is {form}, most are {usual}" for path, form in others.items()]
    return {path: outline for path, outline in outlines.items() if path not in others}, notes


def _with_bytes(logs: list[Path]) -> tuple[list[Path], list[str]]:
    """Logs that hold something, and notes on the others; one that is empty alone is no log."""
    sizes = {}
    for path in logs:
        with open_log(path) as file:
            sizes[path] = os.fstat(file.fileno()).st_size
    full = [path for path in logs if sizes[path]] or logs
    return full, [f"{path.name} is empty: it says nothing" for path in logs if path not in full]


def _outline(path: Path, encoding: str | None, plugins: dict[str, EntryPoint]) -> Outline:
    plugged, notes = outline_plugin(path, plugins)
    outline = plugged or _own_outline(path, encoding)
    return replace(outline, notes=(*outline.notes, *notes)) if notes else outline


def _own_outline(path: Path, encoding: str | None) -> Outline:
    form = log_format(path)
    if form == "text":
        return outline_text(path, encoding)
    if form == "xlsx":
        return _outline_workbook(path)
    return call_apart(path, outline_columnar if form in ("parquet", "arrow") else outline_records, path, form)


def _outline_workbook(path: Path) -> Outline:
    """Outline of the sheet that is read, which the rig file names where there are others."""
    outline = outline_text(path, "utf-8")
    with open_log(path) as file:
        sheets, _ = sheet_text(path, file)
    named: tuple[str, ...] = tuple(sheets[:1]) if len(sheets) > 1 else ()
    choices = outline.choices | {"variables": Choice((named,), True, "the sheet with the most rows")}
    facts = (("sheet", sheets[0] + (f"; not read: {', '.join(sheets[1:])}" if named else "")),)
    return replace(outline, format="xlsx", choices=choices, facts=facts)


@contextmanager
def _placed(path: Path) -> Iterator[None]:
    """An error that says nothing of its place happened in this log."""
    try:
        yield
    except InputError as error:
        if error.where is not None:
            raise
        told = InputError(error.what, where=path, expected=error.expected, got=error.got, do_next=error.do_next)
        raise told from None


def log_format(path: Path) -> str:
    """Format of a log by its first bytes, not by its name."""
    with open_log(path) as file:
        head = file.read(520)
        file.seek(0)
        if head.startswith(b"PK\x03\x04") and is_workbook(file):
            return "xlsx"
    for mark, form in (
        (b"PAR1", "parquet"), (b"ARROW1", "arrow"), (b"\xff\xff\xff\xff", "arrow"), (b"\x89HDF\r\n\x1a\n", "hdf5"),
        (b"MATLAB 7.3", "hdf5"), (b"MATLAB 5.0", "matlab"), (b"MDF     ", "mdf"), (b"UnFinMF ", "mdf"),
    ):  # fmt: skip
        if head.startswith(mark):
            return form
    if head.startswith(b"PK\x03\x04"):
        raise InputError("the log is a zip archive", where=path, do_next="unpack it")
    return "text"


def _sample(path: Path, outline: Outline, logs: int) -> LogSample:
    if outline.format in ("text", "xlsx"):
        return sample_text(path, outline, max(PIECE_BYTES // logs, LEAST_PIECE_BYTES))
    most = max(MOST_ROWS // logs, 10_000)
    if outline.format in ("parquet", "arrow"):
        return call_apart(path, sample_columnar, path, outline, most)
    if outline.format not in READERS:
        return sample_plugin(path, outline, most)
    return call_apart(path, sample_records, path, outline, most)


def _together(samples: list[LogSample]) -> LogSample:
    rows = [s.rows for s in samples]
    reasons: dict[str, int] = {}
    for sample in samples:
        for reason, count in sample.rejects:
            reasons[reason] = reasons.get(reason, 0) + count
    return LogSample(
        tuple(piece for s in samples for piece in s.pieces),
        all(s.whole for s in samples),
        None if None in rows else sum(r for r in rows if r is not None),
        tuple(sorted(reasons.items(), key=lambda item: -item[1])),
    )


def _frequency(samples: list[LogSample], load: ColumnKey | None, motion: ColumnKey | None, time: TimeFinding) -> float:
    """Cycle frequency [Hz]: the load's, or the motion's where the load has two peaks a cycle, or none that repeat."""
    found = [find_frequency(samples, key, time) for key in (load, motion)]
    twice = abs(found[0] / found[1] / 2.0 - 1.0) < 0.1
    return found[1] if twice or not np.isfinite(found[0]) else found[0]


def _measured(
    outline: Outline, samples: list[LogSample], time: ColumnKey | None, least: int
) -> tuple[list[LogColumn], list[str]]:
    """Columns of numbers but the time, a row number, and columns that hold nothing; and notes on those."""
    kept, dropped = [], []
    for column in outline.columns:
        if column.kind != "number" or column.key == time:
            continue
        values = columns_of(samples, column.key)
        counts_rows = known_unit(column.unit) in (None, "1") and counts(values)
        if counts_rows:
            dropped.append(f"the column '{column.key}' is not read: it counts the rows")
        elif any(np.isfinite(v).any() for v in values):
            kept.append(column)
        else:
            dropped.append(f"the column '{column.key}' is not read: it holds no number")
    if len(kept) < least:
        raise InputError("the log has fewer than two columns of measurements: a load and a motion are needed")
    return kept, dropped
