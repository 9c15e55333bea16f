"""Text of numbers and dates, against Python's own formatting."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.simulate.fixed import DigitMarks, civil, most_bytes, write_lines
from benchpipe.simulate.log import date_tokens

EPOCH = datetime(1970, 1, 1)


def lines(columns: list[list[int]], decimals: list[int], marks: DigitMarks, date: int = -1, form: str = "") -> str:
    tokens = np.array(date_tokens(form, decimals[date]) if form else [], np.int64)
    out = np.empty(len(columns[0]) * most_bytes(len(columns), len(tokens)), np.uint8)
    size = write_lines(np.array(columns, np.int64), np.array(decimals, np.int64), date, tokens, marks, out)
    return out[:size].tobytes().decode("ascii")


def marks(
    separator: str = ",", decimal: str = ".", thousands: str = "", quote: str = "", end: str = "\n"
) -> DigitMarks:
    ords = [ord(c) if c else 0 for c in (separator, decimal, thousands, quote)]
    return DigitMarks(ords[0], ords[1], ords[2], ords[3], np.frombuffer(end.encode(), np.uint8))


@given(
    st.lists(st.tuples(st.integers(-(10**15), 10**15), st.integers(-2000, 2000)), min_size=1, max_size=9),
    st.integers(0, 9),
    st.booleans(),
)
def test_numbers_are_pythons(values: list[tuple[int, int]], decimals: int, grouped: bool) -> None:
    def text(value: int, places: int) -> str:
        whole, part = divmod(abs(value), 10**places)
        head = ("-" if value < 0 else "") + (f"{whole:,}".replace(",", "'") if grouped else str(whole))
        return head + (f",{part:0{places}d}" if places else "")

    wanted = "".join(f"{text(a, decimals)};{text(b, 2)}\r\n" for a, b in values)
    columns = [[a for a, _ in values], [b for _, b in values]]
    assert lines(columns, [decimals, 2], marks(";", ",", "'" if grouped else "", end="\r\n")) == wanted


def test_cells_can_be_quoted() -> None:
    assert lines([[1], [-25]], [0, 1], marks(quote='"')) == '"1","-2.5"\n'


@given(st.integers(-(10**9), 5 * 10**9), st.integers(0, 999))
def test_dates_are_the_standard_librarys(second: int, millis: int) -> None:
    moment = EPOCH + timedelta(seconds=second, milliseconds=millis)
    assert civil(second // 86_400) == (moment.year, moment.month, moment.day)
    got = lines([[second * 1000 + millis]], [3], marks(), 0, "%d.%m.%Y %H:%M:%S,%f")
    assert got == moment.strftime("%d.%m.%Y %H:%M:%S,") + f"{millis:03d}\n"
