"""Raw rows of a log in lines, with units, each beside what was taken of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from benchpipe.check.rounding import decimal_of
from benchpipe.views.raw_rows import RawColumn, RawRow, RawRows
from benchpipe.views.trace import LogState

CELL = 10


def rows_lines(found: RawRows, state: LogState | None, *, dated: bool) -> Iterator[str]:
    """Rows of one log: the raw numbers that it has now, and what differs from what was taken.

    Parameters
    ----------
    state : LogState, optional
        Whether all of the log is as it was taken.
    dated : bool
        Times are dates by the rig's clock, else seconds since the log began.
    """
    yield found.file
    if state is not None:
        yield f"  {state.text}"
    if found.why:
        yield f"  the log cannot be read ({found.why}): the samples that were taken of it are shown"
    if not found.rows:
        yield "  no row of it is there"
        return
    heads = [head for column in found.columns for head in _heads(column, gone=bool(found.why))]
    for line in (0, 1):
        cells = "".join(f" {head[line]:>{CELL}}" for head in heads)
        yield f"  {('row', '')[line]:>9} {('time', '' if dated else 's')[line]:<23}{cells}".rstrip()
    for row in found.rows:
        yield from _row(row, found, dated=dated)
    if not found.why:
        taken = sum(row.taken is not None for row in found.rows)
        text = f"{taken:,} row(s) compared with their samples, {found.differing:,} differ"
        yield f"  {text if taken else 'no sample of these rows is kept: nothing to compare with'}"
    if found.more:
        yield f"  and {found.more:,} more rows: trace --rows prints all of them"


def _heads(column: RawColumn, *, gone: bool) -> list[tuple[str, str]]:
    """Name and unit over the columns of a channel: its raw number, and its value where that is another."""
    value = (column.channel[:CELL], f"[{column.unit}]")
    if gone:
        return [value]
    raw = (column.column[-CELL:], f"[{column.raw_unit}]" if column.raw_unit else "raw")
    return [raw] if column.plain else [raw, value]


def _row(row: RawRow, found: RawRows, *, dated: bool) -> Iterator[str]:
    cells: list[str] = []
    for column in found.columns:
        if found.why:
            cells.append(_number((row.taken or {}).get(column.channel)))
            continue
        cells.append(_number((row.raw or {}).get(column.channel)))
        if not column.plain:
            cells.append(_number((row.value or {}).get(column.channel)))
    text = "".join(f" {cell:>{CELL}}" for cell in cells)
    yield f"  {row.row:>9,} {_time(row.time_us, dated=dated):<23}{text}".rstrip()
    if not found.why and row.raw is None:
        yield "            the log does not have this row any more as a sample"
    for name in row.differs:
        unit = next(column.unit for column in found.columns if column.channel == name)
        yield f"            DIFFERS: {name} was taken as {_number((row.taken or {})[name])} {unit}"


def _number(value: float | None) -> str:
    if value is None:
        return "-"
    return "none" if math.isnan(value) else f"{decimal_of(value):.9g}"


def _time(time_us: int | None, *, dated: bool) -> str:
    if time_us is None:
        return "not taken"
    if not dated:
        return f"{time_us * 1e-6:.6f}"
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)
    return moment.strftime("%Y-%m-%d %H:%M:%S.") + f"{moment.microsecond // 1000:03d}"
