"""HDF5, MATLAB and MDF logs: outline and sample of the record that is the log.

Where a file holds several that could be, the rig file must name those that are.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchpipe.errors import InputError
from benchpipe.inspect.dates import find_format
from benchpipe.inspect.findings import Choice, ColumnKey, LogColumn, LogPiece, LogSample, Outline
from benchpipe.inspect.ranges import ranges_of
from benchpipe.inspect.records import Record, open_records
from benchpipe.readers.extras import readable
from benchpipe.readers.hdf5 import stamps

LEAST_COLUMNS = 3  # a time, a load, a motion


def outline_records(path: Path, form: str) -> Outline:
    """Outline of an HDF5, MATLAB or MDF log.

    Raises
    ------
    InputError
        No record in it.
    """
    with open_records(path, form) as records:
        if not records:
            raise InputError("the file holds no two vectors of numbers of one length", where=path)
        chosen, choice = _choose(records)
        dates, formats = _dates(chosen)
        columns = tuple(_known(c.column, dates.get("column")) for c in chosen.columns)
        choices = {"variables": choice} | ({"date": formats} if formats is not None else {})
        record = chosen.variable or "the top of the file"
        facts = (("record", f"{record}, {chosen.length:,} rows"),) if form != "mdf" or chosen.variable else ()
        return Outline(form, {}, columns, choices, dates, facts)


def sample_records(path: Path, outline: Outline, most: int) -> LogSample:
    """Rows of the record, or of all records that are the log."""
    wanted = outline.choices["variables"].values[0]
    date = outline.dates.get("column")
    kept = {column.key for column in outline.columns if column.kind != "word"}
    pieces, rows, whole = [], 0, True
    with open_records(path, outline.format) as records:
        for record in [r for r in records if r.variable in (wanted or ("",))]:
            cut = ranges_of(record.length, most // max(len(wanted), 1))
            whole = whole and cut.whole
            for start, end in cut.ranges:
                with readable(path, "a log"):
                    read = {c.column.key: c.read(start, end) for c in record.columns if c.column.key in kept}
                times = None
                if date is not None:
                    texts = stamps(read.pop(date), outline.choices["date"].values[0])
                    times = np.array(texts.cast("int64").fill_null(0))
                pieces.append(LogPiece(np.arange(rows + start + 1, rows + end + 1), times, read))
            rows += record.length
    return LogSample(tuple(pieces), whole, rows)


def _choose(records: list[Record]) -> tuple[Record, Choice]:
    """The record that is the log, and the ``variables`` that name it; asked where several could be."""
    wide = [r for r in records if len(r.columns) >= LEAST_COLUMNS] or records
    chosen = max(wide, key=lambda r: r.length)
    own: tuple[str, ...] = (chosen.variable,) if chosen.variable else ()
    if len(wide) == 1:
        return chosen, Choice((own,), True, "")
    like = tuple(r.variable for r in wide if _shape(r) == _shape(chosen))
    names = ", ".join(r.variable or "(top)" for r in wide[:6])
    ask = f"the file holds {len(wide)} records that could be the log ({names}): which are?"
    return chosen, Choice((own, like) if like != own else (own, tuple(r.variable for r in wide)), False, "", ask)


def _shape(record: Record) -> tuple[ColumnKey, ...]:
    return tuple(sorted(str(c.column.key) for c in record.columns))


def _dates(record: Record) -> tuple[dict[str, Any], Choice | None]:
    """The first column of texts that are dates, as keys of ``[time]``, and its formats; nothing where there is none."""
    for column in (c for c in record.columns if c.column.kind == "date"):
        spans = ranges_of(record.length, 3000).ranges
        formats = find_format([_text(cell) for start, end in spans for cell in column.read(start, end)])
        if formats is not None:
            return {"kind": "datetime", "column": column.column.key}, formats
    return {}, None


def _known(column: LogColumn, date: ColumnKey | None) -> LogColumn:
    """A column; texts that are not the dates of the log are words."""
    return replace(column, kind="word") if column.kind == "date" and column.key != date else column


def _text(cell: object) -> str:
    return cell.decode("utf-8", "replace") if isinstance(cell, bytes) else str(cell)
