"""Tables as files: CSV, Parquet, a workbook (.xlsx) or JSON.

A text that a spreadsheet would take for a formula has an apostrophe before it in CSV (and one more where it began
with apostrophes before such a letter, so that taking one away gives the text back). In a workbook every text is a
cell of text, which no program computes; in JSON and Parquet texts are as they are.
"""

from __future__ import annotations

import json
import math
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from io import RawIOBase
from itertools import chain
from pathlib import Path
from typing import IO, Any, Literal, cast, get_args

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from benchpipe.errors import ConfigError, MissingExtraError, install_extra
from benchpipe.escapes import visible
from benchpipe.store.files import finish, unfinished
from benchpipe.store.refusals import refused
from benchpipe.views.export import shortest, stamps_as_text

Form = Literal["csv", "parquet", "xlsx", "json"]
File = IO[bytes] | RawIOBase
# What spreadsheets take for the beginning of a formula, and white space that they skip before one.
FORMULA = r"^'*[=+\-@\t\r\n＝＋－＠]"
MOST_ROWS = 1_048_576  # of a sheet (ECMA-376)
MOST_LETTERS = 32_767  # of a cell
EXACT = 2**53  # whole numbers that a cell's double can tell apart
NO_UNIT = ("", "1", "of the limit")  # what is written beside no name


@dataclass(frozen=True)
class Style:
    """How a table is written: with units in the header."""

    units: bool = False


def form_of(out: Path | None, asked: Form | None) -> Form:
    """The format that is meant.

    Raises
    ------
    ConfigError
        The file's ending names none, or another than was asked for.
    """
    forms = get_args(Form)
    ending = "" if out is None else out.suffix.lower().removeprefix(".")
    if asked is None and out is not None and ending not in forms:
        raise ConfigError(
            f"the ending of '{out.name}' names no format that can be written", expected=f".{', .'.join(forms)}",
            do_next="give the file such an ending, or say which with --format",
        )  # fmt: skip
    if asked is not None and ending in forms and ending != asked:
        raise ConfigError(
            f"the file ends in .{ending}, and the format asked for is {asked}", do_next="leave out --format"
        )
    return asked or cast(Form, ending or "csv")


def write_table(pieces: Iterator[pa.Table], form: Form, out: Path | None, style: Style = Style()) -> None:
    """Write a table to a file, whole or not at all, or to standard output.

    Parameters
    ----------
    pieces : iterator of pyarrow.Table
        Of one schema; at least one.

    Raises
    ------
    ConfigError
        The file exists already, or a workbook cannot hold the table.
    MissingExtraError
        The library that writes workbooks is not installed.
    """
    write = WRITERS[form]
    if out is None:
        write(sys.stdout.buffer, pieces, style)
        return
    if out.exists():
        raise ConfigError("the file exists already", where=out, do_next="remove it, or give another name")
    with refused(out.absolute(), "give another name"), unfinished(out.absolute().parent) as file:
        write(file, pieces, style)
        finish(file, out.name)


def _write_csv(file: File, pieces: Iterator[pa.Table], style: Style) -> None:
    made = map(partial(_for_csv, style=style), pieces)
    first = next(made)
    with pacsv.CSVWriter(file, first.schema) as writer:
        for piece in chain([first], made):
            writer.write_table(piece)


def _for_csv(rows: pa.Table, style: Style) -> pa.Table:
    rows = stamps_as_text(rows)
    for place, field in enumerate(rows.schema):
        if pa.types.is_string(field.type):
            column = _visible(rows.column(place))
            bare = pc.fill_null(pc.match_substring_regex(column, FORMULA), False)
            if pc.any(bare).as_py():
                column = pc.if_else(bare, pc.binary_join_element_wise("'", column, ""), column)
            rows = rows.set_column(place, field, column)
    return rows.rename_columns([_inert(visible(name)) for name in _heads(rows.schema, style)])


def _visible(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Texts that a terminal may show: a pipe and a file end there, too."""
    texts = column.unique().to_pylist()
    if all(text is None or text.isprintable() for text in texts):
        return column
    shown = pa.array([None if text is None else visible(text) for text in texts], pa.string())
    return shown.take(pc.index_in(column, value_set=pa.array(texts, column.type)))


def _inert(text: str) -> str:
    return f"'{text}" if re.match(FORMULA, text) else text


def _heads(schema: pa.Schema, style: Style) -> list[str]:
    """Names of columns, with their units where these are asked for: ``peak_load [N*m]``."""
    units = [(field.metadata or {}).get(b"unit", b"").decode() if style.units else "" for field in schema]
    return [name if unit in NO_UNIT else f"{name} [{unit}]" for name, unit in zip(schema.names, units, strict=True)]


def _write_parquet(file: File, pieces: Iterator[pa.Table], _: Style) -> None:
    first = next(pieces)
    with pq.ParquetWriter(file, first.schema) as writer:
        for piece in chain([first], pieces):
            writer.write_table(piece)


def _write_json(file: File, pieces: Iterator[pa.Table], _: Style) -> None:
    """``columns`` with unit and meaning, then ``rows``, one a line; what is missing or not finite is null."""
    first = next(pieces)
    about = [
        {"name": f.name} | {key.decode(): text.decode() for key, text in sorted((f.metadata or {}).items())}
        for f in stamps_as_text(first.slice(0, 0)).schema
    ]
    head = json.dumps({"document": "benchpipe table", "version": 1, "columns": about})
    file.write(_plain(f'{head[:-1]}, "rows": ['))
    between = "\n"
    for row in _rows(chain([first], pieces)):
        file.write(_plain(between + json.dumps(row, allow_nan=False)))
        between = ",\n"
    file.write(b"\n]}\n")


def _plain(text: str) -> bytes:
    """ASCII without DEL, which a terminal could obey."""
    return text.replace("\x7f", "\\u007f").encode("ascii")


def _rows(pieces: Iterable[pa.Table]) -> Iterator[dict[str, Any]]:
    """Rows as plain values: times as texts, singles as their shortest decimal."""
    for piece in pieces:
        rows = stamps_as_text(piece)
        for place, field in enumerate(rows.schema):
            if pa.types.is_float32(field.type):
                doubles = field.with_type(pa.float64())
                rows = rows.set_column(place, doubles, shortest(rows.column(place).cast(pa.float64())))
        for batch in rows.to_batches(max_chunksize=10_000):
            for row in batch.to_pylist():
                yield {n: None if isinstance(v, float) and not math.isfinite(v) else v for n, v in row.items()}


def _write_xlsx(file: File, pieces: Iterator[pa.Table], style: Style) -> None:
    """One sheet: a row of names, then the rows. Empty cells are what is missing or not finite."""
    try:
        import xlsxwriter
    except ImportError:
        raise MissingExtraError(
            "writing a workbook needs the library 'xlsxwriter', which is not installed",
            do_next=f"{install_extra('export')}; or write .csv, .parquet or .json",
        ) from None
    first = next(pieces)
    with tempfile.TemporaryFile() as whole:  # a workbook is a zip archive: it seeks, and this file may not
        with xlsxwriter.Workbook(whole, {"constant_memory": True}) as book:
            sheet = book.add_worksheet("table")
            for place, name in enumerate(_heads(stamps_as_text(first.slice(0, 0)).schema, style)):
                sheet.write_string(0, place, name)
            for number, row in enumerate(_rows(chain([first], pieces)), start=1):
                if number >= MOST_ROWS:
                    raise ConfigError(
                        f"the table has more rows than a workbook's sheet can hold ({MOST_ROWS:,})",
                        do_next="write .parquet, .csv or .json",
                    )
                for place, value in enumerate(row.values()):
                    _write_cell(sheet, number, place, value)
        whole.seek(0)
        shutil.copyfileobj(whole, cast(IO[bytes], file))


def _write_cell(sheet: Any, row: int, place: int, value: object) -> None:
    if isinstance(value, bool):
        sheet.write_boolean(row, place, value)
    elif isinstance(value, int | float) and abs(value) <= EXACT:
        sheet.write_number(row, place, value)
    elif value is not None:
        text = str(value)
        if len(text) > MOST_LETTERS:
            raise ConfigError(
                f"row {row} has a text of {len(text):,} letters, a workbook's cell holds {MOST_LETTERS:,}",
                do_next="write .parquet, .csv or .json",
            )
        sheet.write_string(row, place, text)


WRITERS: dict[Form, Callable[[File, Iterator[pa.Table], Style], None]] = {
    "csv": _write_csv, "parquet": _write_parquet, "xlsx": _write_xlsx, "json": _write_json,
}  # fmt: skip
