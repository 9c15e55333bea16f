"""Kernels that read one cell of delimited text: a number, a date, or neither.

A cell is a number only if all of it is one. The value is the double nearest to the decimal
number: directly where mantissa and power of ten are both exact in a double (Clinger 1990,
"How to read floating point numbers accurately", ACM PLDI), else the cell is ``HARD`` and
read by a library. Every loop ends at a line end: the data must end with one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

# What a cell is
NUMBER, EMPTY, HARD, BAD = range(4)
# Parts of a date format, as tokens below zero
YEAR, MONTH, DAY, HOUR, MINUTE, SECOND, FRACTION = -1, -2, -3, -4, -5, -6, -7

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]
LF, CR, TAB, SPACE, QUOTE = 10, 13, 9, 32, 34
POWERS = 10.0 ** np.arange(23)
_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
EXACT = np.uint64(1 << 53)
# A kernel is compiled once more for a number that its caller writes out: these are no such numbers.
NO_LITERAL: Any = np.int64(0)
_EPOCH: tuple[Any, Any, Any] = np.int64(1970), np.int64(1), np.int64(1)


@compiled
def at_end(data: Bytes, i: int, separator: int) -> bool:
    b = data[i]
    return b in (separator, LF, CR) or (separator == SPACE and b == TAB)


@compiled
def read_cell(data: Bytes, i: int, separator: int, quoted: bool) -> tuple[int, int, int, bool]:
    """The cell at ``i``: start and end of what is in it, the place after it, and whether quotes close."""
    while data[i] == SPACE or (data[i] == TAB and separator != TAB):
        i += 1
    start = i
    if quoted and data[i] == QUOTE:
        i += 1
        start = i
        while True:
            if data[i] == LF or data[i] == CR:
                return start, i, i, False
            if data[i] == QUOTE:
                if data[i + 1] != QUOTE:
                    break
                i += 1
            i += 1
        end = i
        i += 1
        while data[i] == SPACE and separator != SPACE:
            i += 1
        closed = at_end(data, i, separator)
        while not at_end(data, i, separator):
            i += 1
    else:
        while not at_end(data, i, separator):
            i += 1
        end = i
        closed = True
    while start < end and (data[start] == SPACE or data[start] == TAB):
        start += 1
    while end > start and (data[end - 1] == SPACE or data[end - 1] == TAB):
        end -= 1
    return start, end, i, closed


@compiled
def group_mark(data: Bytes, i: int, end: int, thousands: int) -> int:
    """Length of the mark between groups of three digits at ``i``; 0 where there is none."""
    if thousands == 0 or i >= end:
        return 0
    if data[i] == thousands:
        return 1
    if thousands == SPACE:  # no-break, narrow no-break and thin space, in UTF-8
        if i + 1 < end and data[i] == 0xC2 and data[i + 1] == 0xA0:
            return 2
        if i + 2 < end and data[i] == 0xE2 and data[i + 1] == 0x80 and (data[i + 2] == 0xAF or data[i + 2] == 0x89):
            return 3
        if data[i] == 0xA0:  # no-break space in a one-byte encoding
            return 1
    if thousands == 39 and i + 2 < end and data[i] == 0xE2 and data[i + 1] == 0x80 and data[i + 2] == 0x99:
        return 3
    return 0


@compiled
def _is_word(data: Bytes, start: int, end: int) -> bool:
    """Whether a cell says nan, inf or infinity, in any case, with or without a sign."""
    if start < end and (data[start] == 45 or data[start] == 43):
        start += 1
    n = end - start
    if n != 3 and n != 8:
        return False
    a, b, c = data[start] | 32, data[start + 1] | 32, data[start + 2] | 32
    if n == 3:
        return bool((a == 110 and b == 97 and c == 110) or (a == 105 and b == 110 and c == 102))
    infinity = (105, 110, 102, 105, 110, 105, 116, 121)
    same = True
    for k in range(8):
        same = same and bool(data[start + k] | 32 == infinity[k])
    return same


@compiled
def any_number(data: Bytes, start: int, end: int, decimal: int, thousands: int) -> tuple[int, float]:
    """What a trimmed cell is: NUMBER with its value, EMPTY, HARD (a number, but too long) or BAD."""
    if start == end or _is_word(data, start, end):
        return EMPTY, 0.0
    i = start
    negative = False
    if data[i] == 45 or data[i] == 43:
        negative = data[i] == 45
        i += 1
    elif end - i > 3 and data[i] == 0xE2 and data[i + 1] == 0x88 and data[i + 2] == 0x92:  # a true minus sign
        negative = True
        i += 3
    mantissa = np.uint64(0)
    digits, run, groups, power = 0, 0, 0, 0
    while i < end:
        if 48 <= data[i] <= 57:
            mantissa = mantissa * np.uint64(10) + np.uint64(data[i] - 48)
            digits += 1
            run += 1
            i += 1
            continue
        step = group_mark(data, i, end, thousands)
        if step == 0 or not (run == 3 or (groups == 0 and 0 < run < 3)):
            break
        groups += 1
        run = 0
        i += step
    if groups > 0 and run != 3:
        return BAD, 0.0
    if i < end and data[i] == decimal:
        i += 1
        while i < end and 48 <= data[i] <= 57:
            mantissa = mantissa * np.uint64(10) + np.uint64(data[i] - 48)
            digits += 1
            power -= 1
            i += 1
    if digits == 0:
        return BAD, 0.0
    if i < end and (data[i] == 101 or data[i] == 69):
        i += 1
        below = False
        if i < end and (data[i] == 45 or data[i] == 43):
            below = data[i] == 45
            i += 1
        first = i
        exponent = 0
        while i < end and 48 <= data[i] <= 57:
            if exponent < 100_000:
                exponent = exponent * 10 + int(data[i]) - 48
            i += 1
        if i == first:
            return BAD, 0.0
        power += -exponent if below else exponent
    if i != end:
        return BAD, 0.0
    if digits > 18 or mantissa > EXACT or power < -22 or power > 22:
        return HARD, 0.0
    value = np.float64(mantissa)
    value = value / POWERS[-power] if power < 0 else value * POWERS[power]
    return NUMBER, -value if negative else value


@compiled
def known_word(
    data: Bytes, start: int, end: int, column: int, texts: Bytes, bounds: Integers, columns: Integers
) -> int:
    """Which of the texts that a column may hold in place of a number (-1: all columns) a cell is; -1 if none."""
    for k in range(columns.size):
        if columns[k] != -1 and columns[k] != column:
            continue
        n = bounds[k + 1] - bounds[k]
        if n != end - start:
            continue
        same = True
        for j in range(n):
            if data[start + j] != texts[bounds[k] + j]:
                same = False
                break
        if same:
            return k
    return -1


@compiled
def _days(year: int, month: int, day: int) -> int:
    """Days since 1970-01-01 of a date of the Gregorian calendar, or -1 << 40 where there is no such day."""
    if month < 1 or month > 12 or day < 1 or year < 1:
        return -1 << 40
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if day > _DAYS[month - 1] + (1 if leap and month == 2 else 0):
        return -1 << 40
    y = year - (1 if month <= 2 else 0)
    era = y // 400
    of_era = y - era * 400
    of_year = (153 * (month + (-3 if month > 2 else 9)) + 2) // 5 + day - 1
    return era * 146097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719468


@compiled
def read_stamp(
    data: Bytes, i: int, separator: int, tokens: Integers, first: int, last: int
) -> tuple[int, int, bool]:
    """Date or time of day by tokens ``first … last - 1`` at ``i``: µs, place after it, whether it is one."""
    year, month, day = _EPOCH
    hour, minute, second, micro = 0, 0, 0, 0
    whole = False  # whether the second has no fraction this time
    while data[i] == SPACE:
        i += 1
    for t in range(first, last):
        token = tokens[t]
        if token >= 0:
            if data[i] == token:
                i += 1
            elif t + 1 < last and tokens[t + 1] == FRACTION:
                whole = True
            else:
                return 0, i, False
            continue
        if token == FRACTION:
            if whole:
                continue
            start = i
            while 48 <= data[i] <= 57:
                if i - start < 6:
                    micro = micro * 10 + int(data[i]) - 48
                i += 1
            if i == start or i - start > 9:
                return 0, i, False
            for _ in range(6 - (i - start)):
                micro *= 10
            continue
        value = 0
        for _ in range(4 if token == YEAR else 2):
            if not 48 <= data[i] <= 57:
                return 0, i, False
            value = value * 10 + int(data[i]) - 48
            i += 1
        if token == YEAR:
            year = value
        elif token == MONTH:
            month = value
        elif token == DAY:
            day = value
        elif token == HOUR:
            hour = value
        elif token == MINUTE:
            minute = value
        else:
            second = value
    while data[i] == SPACE and separator != SPACE:
        i += 1
    days = _days(year, month, day)
    good = hour < 24 and minute < 60 and second < 60 and days > -1 << 39 and at_end(data, i, separator)
    return ((days * 24 + hour) * 3600 + minute * 60 + second) * 1_000_000 + micro, i, good
