"""The kernel that reads clean lines of delimited text word by word.

The ends of cells are found first, in vectors, for some thousand bytes at a time. Cells then do not wait for one
another: their digits are put together eight at a time, without a branch for each, and a processor works on
several at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.byte_scan import (
    LONG,
    ZEROS,
    bits,
    eight_digits,
    found_at,
    item,
    lowest_bit,
    no_digits,
    put,
    word_at,
)
from benchpipe.kernels.compiled import compiled
from benchpipe.readers import text_cells as cells
from benchpipe.readers.text_cells import CR, LF, SPACE, Bytes, Integers

_read_stamp = cells.read_stamp
EXACT, NO_LITERAL, POWERS = cells.EXACT, cells.NO_LITERAL, cells.POWERS
SKIP, DATE, CLOCK = -1, -2, -3  # places of cells that are no row of the values
LEAST_MARKS = 2048
AT_ONCE = 12  # marks that are noted without a look whether there are so many
_ONE, _EIGHT, _BYTE, _ALL = np.uint64(1), np.uint64(8), np.uint64(0xFF), np.uint64(0xFFFFFFFFFFFFFFFF)


def marks_for(width: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """What :func:`clean_lines` remembers while it reads one block: places of cell ends, and three numbers."""
    return np.empty(max(LEAST_MARKS, 2 * width + 4 * LONG), np.int64), np.zeros(3, np.int64)


@compiled
def _look_ahead(data: Bytes, separator: int, marks: Integers, at: int, known: int, searched: int) -> tuple[int, int]:
    """Move the marks from ``at`` on to the front and add the next ones: how many there are, and up to where."""
    left = known - at
    for k in range(left):
        marks[k] = marks[at + k]
    while searched + LONG <= data.size and left + LONG + AT_ONCE <= marks.size:
        found = found_at(data, searched, separator) | found_at(data, searched, LF) | found_at(data, searched, CR)
        count = bits(found)
        for k in range(0, count, AT_ONCE):  # most often once, which a processor foresees
            for more in range(AT_ONCE):
                put(marks, left + k + more, searched + lowest_bit(found))
                found &= found - _ONE
        left += count
        searched += LONG
    return left, searched


@compiled
def clean_lines(
    data: Bytes, i: int, line: int, bases: Integers, separator: int, decimal: int, tokens: Integers, split: int,
    values: NDArray[np.float64], stamps: Integers, marks: Integers, cursor: Integers,
) -> tuple[int, int]:  # fmt: skip
    """Read clean lines from ``i`` on up to the first that has something else in it than plain short numbers.

    A plain number has digits, perhaps a minus sign and a decimal mark with at most seven decimals, and at most 16
    letters besides the sign.
    Arguments are those of :func:`~benchpipe.readers.text_scan.scan_lines`.

    Parameters
    ----------
    i, line : int
        Place and number of the first line.
    marks, cursor : int64 arrays
        Of :func:`marks_for`, for this block alone.

    Returns
    -------
    i, line : int
        The first line that was not read.
    """
    n = data.size
    last = bases.size - 1
    point = np.uint64(decimal ^ 48)
    at, known, searched = cursor[0], cursor[1], cursor[2]
    while True:
        if at + last >= known:
            known, searched = _look_ahead(data, separator, marks, at, known, searched)
            at = 0
        while at < known and item(marks, at) < i:
            at += 1
        if at + last >= known or i < 8:
            break
        start = i
        stamp = 0
        clean = False
        for cell in range(last + 1):
            end = item(marks, at + cell)
            place = item(bases, cell)
            if place >= 0:
                first = item(data, start)
                minus = False
                if first <= 45:
                    while first == SPACE:
                        start += 1
                        first = item(data, start)
                    minus = first == 45
                    start += minus
                size = end - start
                if size < 1 or size > 16:
                    break
                word = word_at(data, end - 8) ^ ZEROS
                lead = np.uint64(0)
                if size <= 8:
                    word &= _ALL << np.uint64(64 - 8 * size)
                else:
                    lead = (word_at(data, start) ^ ZEROS) << np.uint64(128 - 8 * size)
                    if no_digits(lead) != 0:
                        break
                    lead = eight_digits(lead)
                mark = no_digits(word)
                power, scale = 0, np.uint64(100_000_000)
                if mark != 0:
                    bit = np.uint64(lowest_bit(mark) - 7)
                    if mark & (mark - _ONE) != 0 or (word >> bit) & _BYTE != point or size == 1:
                        break
                    power, scale = (56 - int(np.int64(bit))) >> 3, np.uint64(10_000_000)
                    above = _ALL << bit
                    word = (word & (above << _EIGHT)) | ((word & ~above) << _EIGHT)
                mantissa = eight_digits(word)
                if size > 8:
                    mantissa += lead * scale
                    if mantissa > EXACT:
                        break
                value = np.float64(np.int64(mantissa)) / item(POWERS, power)
                put(values, place + line, -value if minus else value)
            elif place != SKIP:
                begin, until = (NO_LITERAL, split) if place == DATE else (split, tokens.size)
                part, stop, good = _read_stamp(data, start, separator, tokens, begin, until)
                if not good or stop != end or begin == until:
                    break
                stamp += part
            start = end + 1
            if cell == last:
                clean = True
            elif item(data, end) != separator:
                break
        if not clean:
            break
        if item(data, start - 1) != LF:
            if data[start - 1] != CR or start == n or data[start] != LF:
                break
            start += 1
        if stamps.size:
            stamps[line] = stamp
        at += last + 1
        i = start
        line += 1
    cursor[0], cursor[1], cursor[2] = at, known, searched
    return i, line
