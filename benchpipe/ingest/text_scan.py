"""Kernels that read lines of delimited text: every needed cell becomes a number, or the line says why not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.ingest import text_cells as cells
from benchpipe.ingest.text_cells import CR, LF, SPACE, TAB, Bytes, Integers
from benchpipe.kernels.compiled import compiled

_any_number, _at_end, _group_mark, _is_missing = cells.any_number, cells.at_end, cells.group_mark, cells.is_missing
_plain_number, _read_cell, _read_stamp = cells.plain_number, cells.read_cell, cells.read_stamp
BAD, HARD, NUMBER = cells.BAD, cells.HARD, cells.NUMBER

# What a line is
TAKEN, BLANK, WIDTH, CELL, TIME, OPEN_QUOTE = range(6)
# Places of cells that are no row of the values
SKIP, DATE, CLOCK = -1, -2, -3


@compiled
def _after_line_end(data: Bytes, i: int, n: int) -> int:
    """Place after the line end at ``i``: LF, CR LF, CR CR LF (a CR LF file written as text), or CR."""
    if data[i] == CR:
        if i + 1 < n and data[i + 1] == LF:
            return i + 2
        if i + 2 < n and data[i + 1] == CR and data[i + 2] == LF:
            return i + 3
    return i + 1


@compiled
def count_lines(data: Bytes) -> int:
    """Line ends in an array of bytes."""
    n = data.size
    count = 0
    i = 0
    while i < n:
        if data[i] == LF:
            count += 1
        elif data[i] == CR:
            count += 1
            i = _after_line_end(data, i, n) - 1
        i += 1
    return count


@compiled
def _is_blank(data: Bytes, start: int, end: int, separator: int) -> bool:
    """Whether a line holds only blanks, control letters and separators."""
    blank = True
    for k in range(start, end):
        blank = blank and (data[k] <= SPACE or data[k] == separator)
    return blank


@compiled
def scan_lines(
    data: Bytes, places: Integers, timed: bool, separator: int, decimal: int, thousands: int, quoted: bool,
    tokens: Integers, split: int, texts: Bytes, bounds: Integers, columns: Integers, values: NDArray[np.float64],
    stamps: Integers, hard: Bytes, starts: Integers, state: Bytes, detail: NDArray[np.int32],
) -> int:  # fmt: skip
    """Read whole lines.

    Parameters
    ----------
    data : uint8 array
        Ends with a line end.
    places : int64 array, shape (width,)
        Row of ``values`` that each cell goes to; SKIP, DATE or CLOCK.
    timed : bool
        Row 0 of ``values`` is the time: a line without it is not taken.
    separator, decimal, thousands : int
        Bytes; thousands 0 for none. A separator of 32 is any run of spaces and tabs.
    quoted : bool
    tokens : int64 array
        Date format: bytes, and parts below zero. CLOCK cells begin at token ``split``. None: all dates are hard.
    texts, bounds, columns : arrays
        Texts that stand for no value, and the row of ``values`` each is for (-1: every one).
    values : float64 array, shape (k, n); out. NaN where a cell is empty
    stamps : int64 array, shape (n,); out, µs
    hard : uint8 array, shape (k + 1, n), zero; out. Cells to be read by a library; the last row is for stamps.
    starts : int64 array, shape (n + 1,); out
    state, detail : arrays, shape (n,); out
        What each line is, and the count of cells (WIDTH) or row of ``values`` (CELL).

    Returns
    -------
    int
        Hard cells.
    """
    n = data.size
    width = places.size
    stamp_row = values.shape[0]
    i = 0
    line = 0
    hard_cells = 0
    while i < n:
        starts[line] = i
        stamps[line] = 0
        told, of, cell, used = TAKEN, 0, 0, 0
        last_empty = False
        while True:
            if separator == SPACE:
                while data[i] == SPACE or data[i] == TAB:
                    i += 1
                if data[i] == LF or data[i] == CR:
                    break
            place = places[cell] if cell < width else SKIP
            first = i
            good = False
            if place >= 0:
                while data[i] == SPACE:
                    i += 1
                value, i, good = _plain_number(data, i, decimal)
                good = good and _at_end(data, i, separator)
                if good:
                    values[place, line] = value
                    used += 1
            elif place != SKIP:
                begin, end = (0, split) if place == DATE else (split, tokens.size)
                if begin < end:
                    stamp, i, good = _read_stamp(data, i, separator, tokens, begin, end)
                    stamps[line] += stamp
                used += good
            if not good:
                start, end, i, closed = _read_cell(data, first, separator, quoted)
                last_empty = start == end
                if not closed:
                    told = OPEN_QUOTE
                elif place >= 0:
                    kind, value = _any_number(data, start, end, decimal, thousands)
                    bad = kind == BAD and not _is_missing(data, start, end, place, texts, bounds, columns)
                    if bad and told == TAKEN:
                        told, of = CELL, place
                    values[place, line] = value if kind == NUMBER else np.nan
                    used += bad or kind in (NUMBER, HARD)
                    hard[place, line] = kind == HARD
                    hard_cells += kind == HARD
                elif place != SKIP:
                    if last_empty and told == TAKEN:
                        told = TIME
                    hard[stamp_row, line] = 1
                    hard_cells += 1
                    used += not last_empty
            else:
                last_empty = False
            cell += 1
            if data[i] == LF or data[i] == CR:
                break
            if separator != SPACE:
                i += 1
        trailing = cell == width + 1 and last_empty and separator != SPACE
        if told != OPEN_QUOTE and cell != width and not trailing:
            told, of = WIDTH, cell
        elif told == TAKEN and timed and np.isnan(values[0, line]) and hard[0, line] == 0:
            told = TIME
        if used == 0 and told != OPEN_QUOTE and _is_blank(data, starts[line], i, 0 if told == TAKEN else separator):
            told = BLANK
        i = _after_line_end(data, i, n)
        state[line] = told
        detail[line] = of
        line += 1
    starts[line] = n
    return hard_cells


@compiled
def gather_cells(
    data: Bytes, starts: Integers, which: NDArray[np.bool_], places: Integers, wanted: int, separator: int,
    decimal: int, thousands: int, quoted: bool, out: Bytes, bounds: NDArray[np.int32],
) -> int:  # fmt: skip
    """Copy cells of the lines marked in ``which``: those for row ``wanted`` of the values as plain decimal numbers.

    Cells of a date (``wanted`` DATE or CLOCK) are copied as they are.

    Parameters
    ----------
    out : uint8 array; out
        As long as ``data``.
    bounds : int32 array, shape (marked + 1,); out

    Returns
    -------
    int
        Bytes copied.
    """
    at = 0
    count = 0
    bounds[0] = 0
    for line in range(which.size):
        if not which[line]:
            continue
        i = starts[line]
        for cell in range(places.size):
            if separator == SPACE:
                while data[i] == SPACE or data[i] == TAB:
                    i += 1
            start, end, i, _ = _read_cell(data, i, separator, quoted)
            if places[cell] == wanted and wanted >= 0:
                at = _copy_number(data, start, end, decimal, thousands, out, at)
            elif places[cell] == wanted:
                for k in range(start, end):
                    out[at] = data[k]
                    at += 1
            if data[i] == LF or data[i] == CR:
                break
            i += 1
        count += 1
        bounds[count] = at
    return at


@compiled
def _copy_number(
    data: Bytes, start: int, end: int, decimal: int, thousands: int, out: Bytes, at: int
) -> int:
    """Copy a number that ``any_number`` knew, without group marks, with a point and an ASCII sign."""
    k = start
    while k < end:
        step = _group_mark(data, k, end, thousands)
        if step:
            k += step
            continue
        if k == start and data[k] == 43:
            k += 1
            continue
        if k == start and data[k] == 0xE2:
            out[at] = 45
            k += 3
        else:
            out[at] = 46 if data[k] == decimal else data[k]
            k += 1
        at += 1
    return at
