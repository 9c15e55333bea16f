"""Kernels that read lines of delimited text: every needed cell becomes a number, or the line says why not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.byte_scan import LONG, bits, found_at
from benchpipe.kernels.compiled import compiled
from benchpipe.readers import text_cells as cells
from benchpipe.readers.byte_words import DATE, SKIP, clean_lines
from benchpipe.readers.text_cells import CR, LF, SPACE, TAB, Bytes, Integers

_any_number, _group_mark, _known_word = cells.any_number, cells.group_mark, cells.known_word
_read_cell, _read_stamp = cells.read_cell, cells.read_stamp
BAD, EMPTY, HARD, NUMBER = cells.BAD, cells.EMPTY, cells.HARD, cells.NUMBER
EXACT, NO_LITERAL, POWERS = cells.EXACT, cells.NO_LITERAL, cells.POWERS

Floats = NDArray[np.float64]
# What a line is
TAKEN, BLANK, WIDTH, CELL, TIME, OPEN_QUOTE, SHIFTED = range(7)


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
    while i + LONG <= n and found_at(data, i, CR) == 0:
        count += bits(found_at(data, i, LF))
        i += LONG
    while i < n:
        if data[i] == LF:
            count += 1
        elif data[i] == CR:
            count += 1
            i = _after_line_end(data, i, n) - 1
        i += 1
    return count


@compiled
def digit_ends(data: Bytes) -> int:
    """Line feeds after a digit, or after one and a carriage return, in an array of bytes."""
    count = 0
    for i in range(2, data.size):
        before = data[i - 2] if data[i - 1] == CR else data[i - 1]
        count += (data[i] == LF) & (before >= 48) & (before <= 57)
    return count


@compiled
def find_digit_ends(data: Bytes, lines: Integers, starts: Integers, ends: Integers) -> int:
    """Lines that end in a digit: how many.

    Parameters
    ----------
    data : uint8 array
        Ends with a line end.
    lines, starts, ends : int64 arrays, shape (as many as there are lines,); out
        Number of each such line from 0, and where it begins and ends.
    """
    count, line, start = 0, 0, 0
    i = 0
    while i < data.size:
        if data[i] != LF and data[i] != CR:
            i += 1
            continue
        if i > start and 48 <= data[i - 1] <= 57:
            lines[count], starts[count], ends[count] = line, start, i
            count += 1
        i = i + 1 if data[i] == LF else _after_line_end(data, i, data.size)
        line += 1
        start = i
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
    spare: bool, tokens: Integers, split: int, texts: Bytes, bounds: Integers, columns: Integers, meanings: Floats,
    values: Floats, stamps: Integers, hard: Bytes, starts: Integers, ends: Integers, state: Bytes,
    detail: NDArray[np.int32], marks: Integers, cursor: Integers,
) -> tuple[int, int]:  # fmt: skip
    """Read whole lines: clean ones straight through, all others by :func:`_any_line`.

    What reads a clean line is in one loop: as a function of its own it takes twice the time.

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
    spare : bool
        A line may have one more cell, an empty one; one that ends in an empty cell has it.
    tokens : int64 array
        Date format: bytes, and parts below zero. CLOCK cells begin at token ``split``. None: all dates are hard.
    texts, bounds, columns, meanings : arrays
        Texts that stand in place of a number, the row of ``values`` each is for (-1: every one), and the number it
        stands for: NaN for no value.
    values : float64 array, shape (k, n); out. NaN where a cell is empty
    stamps : int64 array, shape (n,), or (0,) where there are no dates; out, µs
    hard : uint8 array, shape (k + 1, n), zero; out. Cells to be read by a library; the last row is for stamps.
    starts, ends : int64 arrays, shape (n,); out
        Where each line that is not clean begins and ends.
    state, detail : arrays, shape (n,), zero; out
        What each line is, and the count of cells (WIDTH) or row of ``values`` (CELL).

    Returns
    -------
    not_taken, hard_cells : int
    """
    n = data.size
    last = places.size - 1
    dated = stamps.size > 0
    not_taken, hard_cells = 0, 0
    line, i = NO_LITERAL, NO_LITERAL
    in_words = separator != SPACE and not quoted
    bases = np.empty(places.size, np.int64)
    for cell in range(places.size):
        bases[cell] = places[cell] * values.shape[1] if places[cell] >= 0 else places[cell]
    flat = values.reshape(-1)
    while i < n:
        if in_words:
            i, line = clean_lines(data, i, line, bases, separator, decimal, tokens, split, flat, stamps, marks, cursor)
            if i >= n:
                break
        begun = i
        stamp = 0
        clean = separator != SPACE and not quoted
        for cell in range(last + 1):
            place = places[cell]
            if place >= 0:
                while data[i] == SPACE:
                    i += 1
                negative = data[i] == 45
                if negative or data[i] == 43:
                    i += 1
                mantissa = np.uint64(0)
                first = i
                while True:
                    digit = int(data[i]) - 48
                    if digit < 0 or digit > 9:
                        break
                    mantissa = mantissa * np.uint64(10) + np.uint64(digit)
                    i += 1
                digits = i - first
                power = 0
                if data[i] == decimal:
                    i += 1
                    first = i
                    while True:
                        digit = int(data[i]) - 48
                        if digit < 0 or digit > 9:
                            break
                        mantissa = mantissa * np.uint64(10) + np.uint64(digit)
                        i += 1
                    power = first - i
                    digits -= power
                if data[i] == 101 or data[i] == 69:
                    i += 1
                    below = data[i] == 45
                    if below or data[i] == 43:
                        i += 1
                    first = i
                    exponent = 0
                    while True:
                        digit = int(data[i]) - 48
                        if digit < 0 or digit > 9 or i - first > 4:
                            break
                        exponent = exponent * 10 + digit
                        i += 1
                    power += -exponent if below else exponent
                    clean = clean and i > first
                if digits < 1 or digits > 18 or mantissa > EXACT or power < -22 or power > 22:
                    clean = False
                    break
                value = np.float64(mantissa)
                value = value * POWERS[power] if power > 0 else value / POWERS[-power]
                values[place, line] = -value if negative else value
            elif place == SKIP:
                while data[i] != separator and data[i] != LF and data[i] != CR:
                    i += 1
            elif tokens.size:
                begin, end = (NO_LITERAL, split) if place == DATE else (split, tokens.size)
                part, i, good = _read_stamp(data, i, separator, tokens, begin, end)
                clean = clean and good
                stamp += part
            else:
                clean = False
            if cell == last:
                clean = clean and (data[i] == LF or data[i] == CR)
            elif clean and data[i] == separator:
                i += 1
            else:
                clean = False
                break
        if clean:
            if dated:
                stamps[line] = stamp
        else:
            i, found = _any_line(
                data, begun, places, timed, separator, decimal, thousands, quoted, spare, tokens, split, texts,
                bounds, columns, meanings, values, stamps, hard, state, detail, line,
            )  # fmt: skip
            hard_cells += found
            not_taken += state[line] != TAKEN
            starts[line], ends[line] = begun, i
        i = i + 1 if data[i] == LF else _after_line_end(data, i, n)
        line += 1
    return not_taken, hard_cells


@compiled
def _any_line(
    data: Bytes, i: int, places: Integers, timed: bool, separator: int, decimal: int, thousands: int, quoted: bool,
    spare: bool, tokens: Integers, split: int, texts: Bytes, bounds: Integers, columns: Integers, meanings: Floats,
    values: Floats, stamps: Integers, hard: Bytes, state: Bytes, detail: NDArray[np.int32], line: int,
) -> tuple[int, int]:  # fmt: skip
    """Read a line cell by cell: place after its last cell, and how many cells are hard."""
    width = places.size
    stamp_row = values.shape[0]
    begun = i
    told, of, cell, used, hard_cells = TAKEN, 0, 0, 0, 0
    last_empty = False
    if stamps.size:
        stamps[line] = 0
    while True:
        if separator == SPACE:
            while data[i] == SPACE or data[i] == TAB:
                i += 1
            if data[i] == LF or data[i] == CR:
                break
        place = places[cell] if cell < width else SKIP
        start, end, after, closed = _read_cell(data, i, separator, quoted)
        last_empty = start == end
        if not closed:
            told = OPEN_QUOTE
        elif place >= 0:
            kind, value = _any_number(data, start, end, decimal, thousands)
            if kind == BAD:
                word = _known_word(data, start, end, place, texts, bounds, columns)
                if word >= 0:
                    kind, value = (EMPTY if np.isnan(meanings[word]) else NUMBER), meanings[word]
            bad = kind == BAD
            if bad and told == TAKEN:
                told, of = CELL, place
            values[place, line] = value if kind == NUMBER else np.nan
            used += bad or kind in (NUMBER, HARD)
            hard[place, line] = kind == HARD
            hard_cells += kind == HARD
        elif place != SKIP:
            used += not last_empty
            begin, until = (NO_LITERAL, split) if place == DATE else (split, tokens.size)
            part, _, good = _read_stamp(data, start, separator, tokens, begin, until)
            if last_empty and told == TAKEN:
                told = TIME
            elif good and begin < until and not quoted:
                stamps[line] += part
            else:
                hard[stamp_row, line] = 1
                hard_cells += 1
        i = after
        cell += 1
        if data[i] == LF or data[i] == CR:
            break
        if separator != SPACE:
            i += 1
    ended = spare and last_empty and separator != SPACE  # as nearly all rows
    wanted = width + 1 if ended else width
    if told != OPEN_QUOTE and cell != wanted:
        told, of = WIDTH, cell - ended
    elif told == TAKEN and timed and np.isnan(values[0, line]) and hard[0, line] == 0:
        told = TIME
    if used == 0 and told != OPEN_QUOTE and _is_blank(data, begun, i, 0 if told == TAKEN else separator):
        told = BLANK
    state[line] = told
    detail[line] = of
    return i, hard_cells


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
def _copy_number(data: Bytes, start: int, end: int, decimal: int, thousands: int, out: Bytes, at: int) -> int:
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
