"""Law: what is read word by word is, to the last bit, what is read letter by letter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchpipe.kernels.byte_scan import LONG, ZEROS, bits, eight_digits, found_at, no_digits, word_at
from benchpipe.kernels.compiled import compiled
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.byte_words import AT_ONCE, clean_lines, marks_for
from benchpipe.readers.text_block import BlockParser, line_count
from benchpipe.readers.text_cells import LF
from benchpipe.readers.text_layout import TextLayout
from tests.ingest.text_logs import LINE_END, make_rig, plain_number

WIDTH = 4
LAYOUT = TextLayout(WIDTH, {"time": 0, "load": 2, "angle": 3})
plain = st.one_of(
    st.integers(-(10**17), 10**17).map(str),
    st.floats(-1e9, 1e9).map("{:.3f}".format),
    st.tuples(st.sampled_from(["", "-"]), st.text("0123456789", max_size=9), st.text("0123456789", max_size=9)).map(
        lambda parts: f"{parts[0]}{parts[1]}.{parts[2]}"
    ),
    st.text("0123456789", min_size=1, max_size=19),
)
odd = st.sampled_from(
    ["", "-", ".", "-.", "1.2.3", "+5", "1e3", "--1", "1-", "nan", "٣", "1\xe9", " 7", "7 ", "a.b", "/.:", "\x00"]
)
cell = st.one_of(plain, plain, plain, odd)
cells = st.one_of(*[st.lists(cell, min_size=n, max_size=n) for n in (WIDTH, WIDTH, WIDTH, WIDTH - 1, WIDTH + 1, 1)])
line_end = st.sampled_from(["\n", "\n", "\n", "\r\n", "\r", "\r\r\n"])


def parsed(data: bytes, *, quoted: bool) -> tuple[RawBatch, int]:
    """Rows of a text: word by word where no cell can be quoted."""
    rig = make_rig({"separator": ",", "quoted": quoted})
    return BlockParser(LAYOUT, rig).parse(data, 2, line_count(data))


@given(st.lists(st.tuples(cells, line_end), max_size=40), st.booleans())
def test_words_and_letters_give_the_same_rows(lines: list[tuple[list[str], str]], one_end: bool) -> None:
    text = "".join(",".join(row) + ("\n" if one_end else end) for row, end in lines)
    data = text.encode()
    (a, slots_a), (b, slots_b) = parsed(data, quoted=False), parsed(data, quoted=True)
    np.testing.assert_array_equal(a.row, b.row)
    for x, y in [(a.time, b.time), *((a.channels[name], b.channels[name]) for name in a.channels)]:
        np.testing.assert_array_equal(x.view(np.int64)[~np.isnan(x)], y.view(np.int64)[~np.isnan(y)])
        np.testing.assert_array_equal(np.isnan(x), np.isnan(y))
    assert (a.rejects, slots_a) == (b.rejects, slots_b)


def is_short(cell: str) -> bool:
    """Whether a number has at most 16 letters, 7 decimals, and is exact without its decimal mark."""
    digits = cell.lstrip("-").replace(".", "")
    decimals = len(cell.partition(".")[2])
    return len(digits) > 0 and len(cell.lstrip("-")) <= 16 and decimals <= 7 and int(digits) <= 1 << 53


@given(st.lists(st.lists(plain, min_size=WIDTH, max_size=WIDTH), min_size=1, max_size=30))
def test_clean_lines_are_read_word_by_word(lines: list[list[str]]) -> None:
    """All but the first and the last, which stand at an edge of the block, and those with a longer number."""
    data = np.frombuffer("".join(",".join(cells) + "\n" for cells in lines).encode(), np.uint8)
    short = [all(map(is_short, cells)) for cells in lines]
    n = len(lines)
    values, marks, cursor = np.full((WIDTH, n), np.nan), *marks_for(WIDTH)
    ends = np.flatnonzero(data == LF) + 1
    begins = [0, *ends[:-1].tolist()]
    for first in range(1, n):
        at = begins[first]
        cursor[:] = 0
        i, line = clean_lines(
            data, at, first, np.arange(WIDTH) * n, ord(","), ord("."), np.empty(0, np.int64), 0,
            values.reshape(-1), np.empty(0, np.int64), marks, cursor,
        )  # fmt: skip
        searched = data.size // LONG * LONG
        expected = first
        while expected < n and ends[expected] <= searched and at >= 8 and short[expected]:
            expected += 1
        assert line >= expected
        assert i == (begins[line] if line < n else data.size)
        for k in range(first, line):
            assert values[:, k].tolist() == [float(c) for c in lines[k]]


@pytest.mark.parametrize("count", [2, 3, AT_ONCE - 1, AT_ONCE, AT_ONCE + 1, 2 * AT_ONCE, LONG])
def test_any_number_of_cells_may_end_within_a_search(count: int) -> None:
    row = b"1" * 9 + b",2" * count + b"\n"
    data = row * 300
    rig = make_rig({"separator": ","})
    batch, _ = BlockParser(TextLayout(count + 1, {"time": 0, "load": 1, "angle": count}), rig).parse(data, 1, 300)
    assert not batch.rejects
    assert batch.row.size == 300
    assert set(batch.channels["load"]) == set(batch.channels["angle"]) == {2.0}


@given(st.lists(st.sampled_from(["\n", "\r\n", "\r", "\r\r\n", "a", "b" * 50]), max_size=60))
def test_lines_are_counted_whatever_ends_them(pieces: list[str]) -> None:
    text = "".join(pieces)
    assert line_count(text.encode()) == len(LINE_END.findall(text))


def every_cell() -> list[str]:
    """Numbers of each length with their mark in each place; odd letters in each place; numbers at the limit of 2^53."""
    digits = "1357924680864297531864209"
    whole = [digits[:n] for n in range(1, 21)]
    found = [f"{one[:k]}.{one[k:]}" for one in whole for k in range(len(one) + 1)] + whole
    odd = [
        f"{one[:k]}{letter}{one[k:]}" for one in found[::7] + whole for k in range(len(one) + 1)
        for letter in "./:-+e \x00"
    ]  # fmt: skip
    draw = np.random.default_rng(53)
    large = [f"{number // 10**k}.{number % 10**k:0{k}}" for number, k in zip(
        draw.integers(2**53 - 9, 10**16, 3000).tolist(), (1 + np.arange(3000) % 7).tolist(), strict=True
    )]  # fmt: skip
    some = [*found, *odd, *large]
    alone = ["", "-", ".", "-.", "\xe9", "1\xe9", "\u2212"]
    return [*some, *(f"-{one}" for one in some), *(f" {one}" for one in found), *alone]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_each_cell_between_clean_lines_is_the_number_that_it_says(end: str) -> None:
    """As a few lines of plain Python read it; no cell stands at an edge, where letters are read one by one."""
    rig, cells = make_rig(), every_cell()
    lines = ["0,0,0"] * 4
    for cell in cells:
        lines += [f"{len(lines)},{cell},{len(lines)}", f"{len(lines) + 1},1,1"]
    lines += ["0,0,0"] * 2 * LONG
    layout = TextLayout(3, {"time": 0, "load": 1, "motion": 2})
    batch, _ = BlockParser(layout, rig).parse("".join(one + end for one in lines).encode(), 0, len(lines))
    taken = dict(zip(batch.row.tolist(), batch.channels["load"].tolist(), strict=True))
    refused = {one.row + k for one in batch.rejects for k in range(one.rows)}
    assert len(taken) + len(refused) == len(lines)
    for row, cell in enumerate(cells):
        says = plain_number(cell.strip(" "), rig, set())
        line = 4 + 2 * row
        if says is None:
            assert line in refused, cell
        else:
            assert repr(taken.get(line)) == repr(says), cell
        assert taken[line + 1] == 1.0, cell


@pytest.mark.parametrize(("form", "written"), [
    ("%d %b %Y %H:%M:%S.%f", "14 Mar 2031 08:20:01.{:03}"), ("%Y-%m-%d %H:%M:%S.%f", "2031-03-14 08:20:01.{:03}"),
    ("%H:%M:%S.%f %d.%m.%Y", "08:20:01.{:03} 14.03.2031"),
])  # fmt: skip
@pytest.mark.parametrize("odd", ["", "  ", "08:20:01", "14 Mar"])
def test_a_date_that_is_none_or_half_is_no_time(form: str, written: str, odd: str) -> None:
    lines = [f"{written.format(k)},{k},1\n" for k in range(100)]
    data = "".join([*lines[:50], f"{odd},50,1\n", *lines[50:]]).encode()
    rig = make_rig({}, {"kind": "datetime", "format": form})
    batch, _ = BlockParser(TextLayout(3, {"time": 0, "load": 1, "angle": 2}), rig).parse(data, 1, 101)
    assert [(one.row, one.rows, one.reason) for one in batch.rejects] == [(51, 1, "no time that can be read")]
    assert (np.diff(batch.time) == 1000).all()


def test_words() -> None:
    """Of the text, from its second letter on: the number, its odd letters, and how many of 64 letters are zeros."""

    @compiled
    def seen(data: NDArray[np.uint8]) -> tuple[int, int, int]:
        word = word_at(data, 1) ^ ZEROS
        return eight_digits(word), no_digits(word), bits(found_at(data, 1, ord("0")))

    zeros = b"0" * LONG
    assert seen(np.frombuffer(b"x12345678" + zeros, np.uint8)) == (12345678, 0, LONG - 8)
    assert seen(np.frombuffer(b"x99999999" + zeros, np.uint8))[0] == 99999999
    assert seen(np.frombuffer(b"x123/:678" + zeros, np.uint8))[1] == 0x8080 << 24
    assert seen(np.frombuffer(b"0\x000000000" + zeros, np.uint8))[1] == 0x80
