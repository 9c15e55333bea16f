"""Outline of a text log: encoding, dialect, heading, date column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from benchpipe.errors import InputError
from benchpipe.inspect.cells import NumberForm
from benchpipe.inspect.dates import date_part, find_format
from benchpipe.inspect.dialect import NAMES, DialectFinding, find_dialect
from benchpipe.inspect.encoding import find_encoding
from benchpipe.inspect.findings import Choice, ColumnKey, LogColumn, Outline
from benchpipe.inspect.heading import HeadingFinding, find_heading, log_column
from benchpipe.inspect.samples import TextPieces, cut_pieces, whole_lines

OUTLINE_BYTES = 1 << 20


def outline_text(path: Path, encoding: str | None = None) -> Outline:
    """Outline of a text log, from pieces of it.

    Raises
    ------
    InputError
        It is no text, or no table of numbers.
    """
    cut = cut_pieces(path, OUTLINE_BYTES)
    if not cut.pieces[0].strip():
        raise InputError("the log is empty", where=path, do_next="give a log that holds rows")
    choice = _encoding(cut, encoding)
    pieces = text_lines(cut, choice.values[0])
    dialect = find_dialect([line for lines in pieces for line in lines])
    heading = find_heading(pieces[0], dialect)
    keys, notes = _keys(heading, dialect)
    columns = tuple(_column(key, k, heading, dialect) for k, key in enumerate(keys))
    dates, date = _dates(pieces, heading, dialect, keys)
    choices = {"encoding": choice, "separator": dialect.separator, "numbers": dialect.numbers}
    if date is not None:
        choices |= {"date": date, "numbers": _as_in_dates(dialect.numbers, str(date.values[0]))}
    log = {"quoted": dialect.quoted, "header": heading.header is not None, "units_row": heading.units_row}
    facts = _facts(cut, pieces, choice, dialect, heading)
    return Outline("text", log, columns, choices, dates, facts, heading.preamble, notes)


def _encoding(cut: TextPieces, declared: str | None) -> Choice:
    if declared is not None:
        return Choice((declared,), True, "as you said")
    return find_encoding(cut.pieces[0], cut.pieces[1:])


def text_lines(cut: TextPieces, encoding: str) -> list[list[str]]:
    """Lines of the pieces of a log; a last line without an end may be half-written and is left out."""
    pieces = whole_lines(cut, encoding)
    found = []
    for number, piece in enumerate(pieces):
        lines = piece.decode("utf-8", "replace").splitlines()
        if number == len(pieces) - 1 and not piece.endswith(b"\n") and len(lines) > 1:
            lines.pop()
        found.append(lines)
    return found


def _keys(heading: HeadingFinding, dialect: DialectFinding) -> tuple[list[ColumnKey], tuple[str, ...]]:
    """How the rig file names each column: by name, or by number where there is no header."""
    if heading.header is None:
        if heading.first_row > 1:
            raise InputError(
                "lines stand above the rows, and none of them names the columns",
                expected=f"a header of {dialect.width} names", do_next="let the rig write a header",
            )  # fmt: skip
        return list(range(1, dialect.width + 1)), ("there is no header: columns go by their number",)
    times = Counter(heading.header)
    twice = [name for name, count in times.items() if count > 1 and name]
    notes = tuple(f"the column name '{name}' occurs {times[name]} times: those columns go by number" for name in twice)
    return [name if name and times[name] == 1 else k for k, name in enumerate(heading.header, 1)], notes


def _column(key: ColumnKey, place: int, heading: HeadingFinding, dialect: DialectFinding) -> LogColumn:
    said = heading.header[place] if heading.header is not None else ""
    column = log_column(said or key, heading.units[place], "units row", dialect.kinds[place])
    return replace(column, key=key)


def _dates(
    pieces: list[list[str]], heading: HeadingFinding, dialect: DialectFinding, keys: list[ColumnKey]
) -> tuple[dict[str, Any], Choice | None]:
    """The ``[time]`` keys of a date column (or of a date and a time column), and its formats."""
    rows = [[dialect.cells(line) for line in lines] for lines in pieces]
    rows[0] = rows[0][heading.first_row - 1 :]
    table = [[row for row in piece if len(row) == dialect.width] for piece in rows]
    places = [k for k, kind in enumerate(dialect.kinds) if kind == "date"]
    parts: dict[str, int] = {}
    for place in places:
        part = Counter(date_part(row[place]) for piece in table for row in piece[:50]).most_common(1)[0][0]
        parts.setdefault(part, place)
    chosen = [parts["both"]] if "both" in parts else [parts[p] for p in ("date", "time") if p in parts]
    if not chosen or ("date" in parts and len(chosen) == 1 and "both" not in parts):
        return {}, None
    series = [[" ".join(row[place] for place in chosen) for row in piece] for piece in table]
    cells = [cell for piece in series for cell in piece]
    step = max(1, len(cells) // 2000)
    hints = [value for _, value in heading.preamble]
    date = find_format(cells[::step], _day_changes(series), hints)
    keyed: dict[str, Any] = {"kind": "datetime", "column": keys[chosen[-1]]}
    if len(chosen) == 2:
        keyed["date_column"] = keys[chosen[0]]
    return (keyed, date) if date is not None else ({}, None)


def _as_in_dates(numbers: Choice, form: str) -> Choice:
    """Numbers, where the decimal mark of the seconds is one that would else stand between thousands."""
    mark = next((mark for mark in ".," if f"{mark}%f" in form), None)
    if mark is None or not numbers.is_open:
        return numbers
    chosen = tuple(one for one in numbers.values if one.decimal == mark)
    grouped = all(one.thousands == mark for one in numbers.values if one not in chosen)
    return Choice(chosen, True, "") if len(chosen) == 1 and grouped else numbers


def _day_changes(series: list[list[str]]) -> Iterator[tuple[str, str]]:
    """Neighbouring cells in which the day differs."""
    for piece in series:
        for before, after in pairwise(piece):
            if before[:8] != after[:8] and before.split(" ")[0] != after.split(" ")[0]:
                yield before, after


def _facts(
    cut: TextPieces, pieces: list[list[str]], encoding: Choice, dialect: DialectFinding, heading: HeadingFinding
) -> tuple[tuple[str, str], ...]:
    ends = Counter(
        end for piece in cut.pieces
        for end, count in (("CR LF", piece.count(b"\r\n")), ("LF", piece.count(b"\n") - piece.count(b"\r\n"))) if count
    )  # fmt: skip
    header = "none" if heading.header_line is None else f"line {heading.header_line}"
    return (
        ("encoding", f"{encoding.values[0]} ({encoding.why})" + (", gzip" if cut.packed else "")),
        ("separator", NAMES[dialect.separator.values[0]] + (", cells in quotes" if dialect.quoted else "")),
        ("numbers", _numbers_said(dialect.numbers)),
        ("line ends", " and ".join(ends) or "CR" if cut.pieces[0].count(b"\0") == 0 else "as the encoding has them"),
        ("header", header + (", units in the next" if heading.units_row else "")),
    )


def _numbers_said(numbers: Choice) -> str:
    form: NumberForm = numbers.values[0]
    if numbers.why:
        return numbers.why
    marks = {",": "comma", ".": "point", " ": "space", "'": "apostrophe"}
    grouped = f", thousands {marks[form.thousands]}" if form.thousands else ""
    return f"decimal {marks[form.decimal]}{grouped}"
