"""Parse one block of text rows.

Clean blocks go through typed columns. A block in which a cell is no number is read
again as text, and each row that cannot be taken becomes a reject with its reason.
Both ways give equal numbers: the second casts what the first would have parsed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from benchpipe.config.rig import RigConfig
from benchpipe.ingest.batch import RawBatch, Reject

if TYPE_CHECKING:
    from numpy.typing import NDArray

_PLAIN = r"^[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?$"
_NON_FINITE = r"^(?i:[+-]?(?:nan|inf|infinity))$"


@dataclass(frozen=True)
class TextLayout:
    """Where the needed columns stand and how cells are written."""

    width: int
    places: dict[str, int]
    header: tuple[str, ...]
    separator: str
    decimal: str
    thousands: str
    quoted: bool
    missing: tuple[str, ...]
    time_format: str | None
    counts_rows: bool

    @classmethod
    def of(cls, rig: RigConfig, width: int, places: dict[str, int], header: tuple[str, ...] = ()) -> TextLayout:
        """Layout of a log of this rig."""
        log = rig.log
        form = rig.time.format if rig.time.kind == "datetime" else None
        return cls(
            width, places, header, log.separator, log.decimal, log.thousands, log.quoted, log.missing, form,
            rig.time.kind == "sample",
        )  # fmt: skip

    @property
    def channels(self) -> list[str]:
        """Names of the channels that are read."""
        return [name for name in self.places if name != "time"]


def split_cells(line: str, separator: str) -> list[str]:
    """Cells of a header or units row."""
    cells = line.split() if separator == "space" else line.split(separator)
    return [cell.strip().strip('"') for cell in cells]


def count_lines(data: bytes) -> int:
    """Lines of whole-line text: ended by LF, CR LF or a lone CR."""
    if b"\r" not in data:
        return data.count(b"\n")
    return data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")


def parse_block(data: bytes, first_line: int, layout: TextLayout) -> RawBatch:
    """Parse whole lines.

    Parameters
    ----------
    data : bytes
        Lines, each ended.
    first_line : int
        Line number of the first.
    layout : TextLayout

    Returns
    -------
    RawBatch
        Every line once, as a row or as a reject.
    """
    if layout.separator == "space":
        data = b"\n".join(b" ".join(line.split()) for line in data.splitlines()) + b"\n"
    lines = count_lines(data)
    if not layout.thousands:
        try:
            table, bad = _read(data, layout, typed=True)
            return _taken(table, bad, first_line, lines, layout)
        except pa.ArrowInvalid:
            pass
    table, bad = _read(data, layout, typed=False)
    return _careful(table, bad, first_line, lines, layout)


def _read(data: bytes, layout: TextLayout, *, typed: bool) -> tuple[pa.Table, list[tuple[int, str, int]]]:
    bad: list[tuple[int, str, int]] = []

    def on_bad(row: Any) -> str:
        bad.append((row.number, row.text, row.actual_columns))
        return "skip"

    names = [f"c{i}" for i in range(layout.width)]
    kinds = {
        names[place]: pa.float64() if typed and not (key == "time" and layout.time_format) else pa.binary()
        for key, place in layout.places.items()
    }
    separator = " " if layout.separator == "space" else layout.separator
    table = pacsv.read_csv(
        pa.BufferReader(data),
        pacsv.ReadOptions(use_threads=False, column_names=names, block_size=len(data) + 1),
        pacsv.ParseOptions(
            delimiter=separator,
            quote_char='"' if layout.quoted else False,
            invalid_row_handler=on_bad,
            ignore_empty_lines=False,
        ),
        pacsv.ConvertOptions(
            check_utf8=False,
            include_columns=[names[place] for place in layout.places.values()],
            column_types=kinds,
            null_values=["", *layout.missing],
            strings_can_be_null=True,
            decimal_point=layout.decimal,
        ),
    )
    return table.rename_columns(list(layout.places)), bad


def _line_numbers(bad: list[tuple[int, str, int]], first_line: int, lines: int, rows: int) -> NDArray[np.int64]:
    """Line of each row that pyarrow gave; lines of bad rows are left out."""
    if rows + len(bad) != lines:
        raise pa.ArrowInvalid(f"{lines} lines gave {rows} rows and {len(bad)} bad ones")
    numbers = np.arange(first_line, first_line + lines)
    return np.delete(numbers, [number - 1 for number, _, _ in bad]) if bad else numbers


def _width_rejects(bad: list[tuple[int, str, int]], first_line: int, layout: TextLayout) -> list[Reject]:
    return [
        Reject(first_line + number - 1, 1, f"{actual} cells instead of {layout.width}", text)
        for number, text, actual in bad
    ]


def _taken(
    table: pa.Table, bad: list[tuple[int, str, int]], first_line: int, lines: int, layout: TextLayout
) -> RawBatch:
    row = _line_numbers(bad, first_line, lines, table.num_rows)
    return _batch(table, row, _width_rejects(bad, first_line, layout), layout)


def _batch(table: pa.Table, row: NDArray[np.int64], rejects: list[Reject], layout: TextLayout) -> RawBatch:
    """Drop rows without a time; turn columns into arrays."""
    if layout.counts_rows:
        time: NDArray[Any] = row.copy()
        good = np.ones(len(row), bool)
    elif layout.time_format is not None:
        time, good = _date_times(table.column("time"), layout)
    else:
        time = _floats(table.column("time"))
        good = np.isfinite(time)
    channels = {name: _floats(table.column(name)) for name in layout.channels}
    if not good.all():
        empty = np.logical_and.reduce([np.isnan(c) for c in channels.values()]) & ~good
        texts = table.column("time") if "time" in table.column_names else None
        for i in np.flatnonzero(~good):
            seen = None if texts is None else texts[int(i)].as_py()
            seen = seen.decode("utf-8", "replace") if isinstance(seen, bytes) else seen
            reason = "empty line" if empty[i] and seen is None else "no time that can be read"
            rejects.append(Reject(int(row[i]), 1, reason, None if seen is None else str(seen)))
        row, time = row[good], time[good]
        channels = {name: values[good] for name, values in channels.items()}
    for values in channels.values():
        if not np.isfinite(values).all():
            values[~np.isfinite(values)] = np.nan
    rejects.sort(key=lambda r: r.row)
    return RawBatch(row, time, channels, rejects)


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    """Column → float64, NaN for null, writable."""
    array = column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)
    if array.null_count:
        array = array.fill_null(float("nan"))
    return np.array(array, dtype=np.float64)


def _date_times(column: pa.ChunkedArray, layout: TextLayout) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Texts → µs since 1970-01-01 by the rig's clock, and which could be read."""
    import polars as pl

    form = layout.time_format or ""
    texts = pl.Series(pl.from_arrow(column.cast(pa.string(), safe=False))).str.strip_chars()
    if ",%f" in form:  # the reader of dates knows fractions after a point only
        form, texts = form.replace(",%f", ".%f"), texts.str.replace_all(",", ".", literal=True)
    stamps = texts.str.to_datetime(form.replace(".%f", "%.f"), time_unit="us", strict=False)
    good = stamps.is_not_null().to_numpy()
    return stamps.cast(pl.Int64).fill_null(0).to_numpy().copy(), good


def _careful(
    table: pa.Table, bad: list[tuple[int, str, int]], first_line: int, lines: int, layout: TextLayout
) -> RawBatch:
    """Read a block of texts: each needed cell that is no number makes its row a reject."""
    row = _line_numbers(bad, first_line, lines, table.num_rows)
    rejects = _width_rejects(bad, first_line, layout)
    wrong = np.zeros(table.num_rows, bool)
    first_wrong: dict[int, str] = {}
    columns: dict[str, Any] = {}
    for name in layout.places:
        texts = table.column(name).cast(pa.string(), safe=False)
        if name == "time" and layout.time_format is not None:
            columns[name] = texts
            continue
        numbers, good = _numbers_of(texts, layout)
        columns[name] = numbers
        for i in np.flatnonzero(~good & ~wrong):
            first_wrong[int(i)] = name
        wrong |= ~good
    for i, name in first_wrong.items():
        cells = [table.column(key)[i].as_py() or b"" for key in layout.places]
        shown = [c.decode("utf-8", "replace").strip() for c in cells]
        rejects.append(Reject(int(row[i]), 1, _reason(shown, name, layout), layout.separator.join(shown)))
    keep = pa.array(~wrong)
    return _batch(pa.table(columns).filter(keep), row[~wrong], rejects, layout)


def _reason(cells: list[str], name: str, layout: TextLayout) -> str:
    if layout.header and cells == [layout.header[place] for place in layout.places.values()]:
        return "header repeated"
    return f"no number in the column of '{name}'"


def _numbers_of(texts: pa.ChunkedArray, layout: TextLayout) -> tuple[Any, NDArray[np.bool_]]:
    """Texts → doubles, and which cells are numbers or empty."""
    trimmed = pc.utf8_trim_whitespace(texts)
    if layout.thousands:
        group = "\\" + layout.thousands
        grouped = pc.match_substring_regex(trimmed, rf"^[+-]?[0-9]{{1,3}}(?:{group}[0-9]{{3}})+(?:\D|$)")
        trimmed = pc.if_else(grouped, pc.replace_substring(trimmed, layout.thousands, ""), trimmed)
    if layout.decimal == ",":
        has_point = pc.match_substring(trimmed, ".")
        trimmed = pc.if_else(has_point, pa.scalar("?"), pc.replace_substring(trimmed, ",", ".", max_replacements=1))
    plain = pc.match_substring_regex(trimmed, _PLAIN)
    good = pc.or_(plain, pc.match_substring_regex(trimmed, _NON_FINITE))
    values = pc.if_else(plain, trimmed, pa.scalar(None, pa.string()))
    values = pc.replace_substring_regex(values, r"^\+", "")
    return pc.cast(values, pa.float64()), np.array(pc.fill_null(good, True), dtype=bool)
