"""Whole numbers of a last decimal → delimited text, as fast as memory takes it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
TEN, ZERO = np.uint64(10), np.uint64(48)
POWERS = np.array([10**k for k in range(19)], np.uint64)


class DigitMarks(NamedTuple):
    """Bytes that stand between digits; 0 is none."""

    separator: int
    decimal: int
    thousands: int
    quote: int
    line_end: Bytes


@compiled
def civil(days: int) -> tuple[int, int, int]:
    """Year, month, day of a number of days since 1970-01-01 (proleptic Gregorian).

    Howard Hinnant, "chrono-compatible low-level date algorithms", civil_from_days
    (written from memory); tested against the standard library.
    """
    z = days + 719468
    era = z // 146097
    of_era = z - era * 146097
    year = (of_era - of_era // 1460 + of_era // 36524 - of_era // 146096) // 365
    day = of_era - (365 * year + year // 4 - year // 100)
    month = (5 * day + 2) // 153
    return (
        year + era * 400 + (1 if month >= 10 else 0),
        month + 3 if month < 10 else month - 9,
        day - (153 * month + 2) // 5 + 1,
    )


@compiled
def _digits(out: Bytes, at: int, value: int, width: int) -> int:
    """Write ``width`` digits with leading zeros. Unsigned all through: a mix with signed is a float."""
    rest = np.uint64(value)
    for k in range(at + width - 1, at - 1, -1):
        tens = rest // TEN
        out[k] = ZERO + (rest - tens * TEN)
        rest = tens
    return at + width


@compiled
def _number(out: Bytes, at: int, value: int, decimals: int, marks: DigitMarks) -> int:
    if value < 0:
        out[at] = 45
        at += 1
        value = -value
    rest = np.uint64(value)
    width = decimals + 1
    while width < 19 and rest >= POWERS[width]:
        width += 1
    whole = width - decimals
    if marks.thousands > 0:
        whole += (whole - 1) // 3
    end = at + whole
    if decimals > 0:
        out[end] = marks.decimal
        end += 1 + decimals
        for k in range(end - 1, end - 1 - decimals, -1):
            tens = rest // TEN
            out[k] = ZERO + (rest - tens * TEN)
            rest = tens
    for place in range(whole):
        if marks.thousands > 0 and place % 4 == 3:
            out[at + whole - 1 - place] = marks.thousands
        else:
            tens = rest // TEN
            out[at + whole - 1 - place] = ZERO + (rest - tens * TEN)
            rest = tens
    return end


@compiled
def _date(out: Bytes, at: int, value: int, decimals: int, tokens: Ints) -> int:
    power = int(POWERS[decimals])
    seconds, part = value // power, value % power
    days, second = seconds // 86400, seconds % 86400
    year, month, day = civil(days)
    for token in tokens:
        if token > 0:
            out[at] = token
            at += 1
        elif token == -1:
            at = _digits(out, at, year, 4)
        elif token == -2:
            at = _digits(out, at, month, 2)
        elif token == -3:
            at = _digits(out, at, day, 2)
        elif token == -4:
            at = _digits(out, at, second // 3600, 2)
        elif token == -5:
            at = _digits(out, at, second // 60 % 60, 2)
        elif token == -6:
            at = _digits(out, at, second % 60, 2)
        else:
            at = _digits(out, at, part, decimals)
    return at


@compiled
def write_lines(columns: Ints, decimals: Ints, date_column: int, tokens: Ints, marks: DigitMarks, out: Bytes) -> int:
    """Write rows as text.

    Parameters
    ----------
    columns : int64 array, shape (c, n)
        Values in units of each column's last decimal.
    decimals : int64 array, shape (c,)
    date_column : int
        Column that counts from 1970-01-01 and is written by ``tokens``; -1 for none.
    tokens : int64 array
        As :func:`benchpipe.simulate.log.date_tokens` gives them.
    marks : DigitMarks
    out : uint8 array
        Filled from its start; see :func:`most_bytes`.

    Returns
    -------
    int
        Bytes written.
    """
    at = 0
    for i in range(columns.shape[1]):
        for c in range(columns.shape[0]):
            if c > 0:
                out[at] = marks.separator
                at += 1
            if marks.quote > 0:
                out[at] = marks.quote
                at += 1
            if c == date_column:
                at = _date(out, at, columns[c, i], decimals[c], tokens)
            else:
                at = _number(out, at, columns[c, i], decimals[c], marks)
            if marks.quote > 0:
                out[at] = marks.quote
                at += 1
        for byte in marks.line_end:
            out[at] = byte
            at += 1
    return at


def most_bytes(columns: int, tokens: int) -> int:
    """Most bytes that one line can take."""
    return columns * 32 + 4 * tokens + 2
