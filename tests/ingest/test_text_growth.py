"""Text logs that are not finished, change their columns, or hold what no line should."""

from __future__ import annotations

import gzip
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.errors import InputError
from benchpipe.readers import text_lines
from benchpipe.readers.text_lines import LONGEST_LINE
from tests.ingest.test_text_rows import blocks_of, render
from tests.ingest.text_logs import make_rig, read_back, read_bytes, same_numbers

PIECES = [
    "0.01,1,2\n", "0.02,3,4\r\n", "0.03,OVER,4\n", "\n", "x\n", "Time,Load,Angle\n", "Time,Angle,Load\n",
    "Angle,Other,Load,Time\n", "5,0,6,0.1\n", "0.04,é,1\n", "Time,Load\n", "0.05,7\n", f"0.06,{'9' * 70},1\n",
    f"0.07,1,{' ' * 51}2\n",
]  # fmt: skip
ENCODINGS = {"utf-8": "utf-8", "utf-16": "utf-16", "gbk": "gbk", "latin-1": "latin-1"}


@given(
    st.lists(st.sampled_from(PIECES), max_size=8),
    st.sampled_from(sorted(ENCODINGS)),
    st.sampled_from(["elapsed", "sample"]),
    st.data(),
)
def test_a_log_read_on_as_it_grows_is_the_log_read_once(
    pieces: list[str], encoding: str, kind: str, data: st.DataObject
) -> None:
    text = "Time,Load,Angle\n" + "".join(pieces)
    rig = make_rig({"encoding": encoding}, {"kind": kind} | ({"column": None} if kind == "sample" else {}))
    whole = text.encode(ENCODINGS[encoding])
    longest = data.draw(st.sampled_from([60, 119, 120, LONGEST_LINE]))
    with patch.object(text_lines, "LONGEST_LINE", longest):
        once = read_bytes(whole, rig)
    cut = data.draw(st.integers(0, len(whole)))
    with blocks_of(data.draw(st.integers(2, 200))), patch.object(text_lines, "LONGEST_LINE", longest):
        try:
            before = read_bytes(whole[:cut], rig)
        except InputError:  # the header is not whole yet
            return
        state = read_back(before.state)
        after = read_bytes(whole, rig, state)
    last = before.rejects[-1:] if before.rejects and "half-written" in before.rejects[-1].reason else []
    lines = [line for line in before.lines if not last or line[0] != last[0].row]
    assert before.row + after.row == once.row if state else after.row == once.row
    assert (lines if state else []) + after.lines == once.lines
    assert same_numbers((before.time if state else []) + after.time, once.time)
    for name, values in once.channels.items():
        assert same_numbers((before.channels[name] if state else []) + after.channels[name], values)


@pytest.mark.parametrize("end", ["\r\n", "\r", "\r\r\n", "\n"])
@pytest.mark.parametrize("header", [True, False])
def test_a_log_may_grow_by_single_bytes_whatever_ends_its_lines(end: str, header: bool) -> None:
    head = ["Time,Load,Angle"] if header else []
    data = "".join(line + end for line in [*head, "0.00,1,2", "0.01,3,4", "0.02,5,6", ""]).encode()
    channels = [{"name": "load", "column": 2, "unit": "N"}, {"name": "motion", "column": 3, "unit": "mm"}]
    numbers: dict[str, Any] = {} if header else {"time": {"column": 1}, "channel": channels}
    rig = make_rig({"header": header}, **numbers)
    state, rows, lines = None, list[int](), list[tuple[int, str]]()
    for size in range(len(data) + 1):
        try:
            read = read_bytes(data[:size], rig, state)
        except InputError:  # half a header
            continue
        if read.state != state:
            state, rows = read.state, rows + read.row
            lines += [line for line in read.lines if "half-written" not in line[1]]
    once = read_bytes(data, rig)
    assert (rows, lines) == (once.row, once.lines)
    assert len(rows) == 3


def test_a_half_written_line_is_not_taken_and_taken_when_it_is_whole() -> None:
    rig = make_rig()
    begun = b"Time,Load,Angle\n0,1,2\n0.01,1,2"
    read = read_bytes(begun, rig)
    assert read.row == [2]
    assert read.lines == [(3, "the last line has no line end: it may be half-written")]
    grown = read_bytes(begun + b"5.5\n", rig, read.state)
    assert (grown.row, grown.channels["motion"], grown.rejects) == ([3], [25.5], [])


@pytest.mark.parametrize("begun", [b"", b"Ti", b"Time,Load,Ang", b"\xff\xfe", b"\x00\x00\x00"])
def test_a_log_that_has_only_just_begun_has_no_rows_yet(begun: bytes) -> None:
    rig = make_rig({"encoding": "utf-16"} if begun == b"\xff\xfe" else {})
    read = read_bytes(begun, rig)
    assert (read.row, read.state) == ([], None)
    assert read.rejected <= 1


def test_other_columns_from_a_new_header_on() -> None:
    text = (
        "Time,Load,Angle\n0,1,2\nTime,Load,Angle\n0.01,1,2\n"  # the same header again
        "Angle,Time,Extra,Load\n2,0.02,9,1\n"  # another order, one more
        "Time,Angle,Note\n0.03,2,9\n0.04,2,9\n"  # no load
        "Time,Load,Angle\n0.05,1,2\n"
    )
    for block in (3, 40, 1 << 20):
        with blocks_of(block):
            read = read_bytes(text.encode(), make_rig())
        assert read.time == [0, 0.01, 0.02, 0.05]
        assert read.channels == {"load": [1] * 4, "motion": [2] * 4}
        assert read.lines == [
            (3, "header repeated"),
            (5, "a header: other columns from here"),
            *((line, "this part of the log has no column 'Load'") for line in (7, 8, 9)),
            (10, "a header: other columns from here"),
        ]


def test_units_of_a_new_header_are_held_against_the_rig_file() -> None:
    rig = make_rig({"units_row": True})
    text = "Time,Load,Angle\ns,N,mm\n0,1,2\nTime,Angle,Load\ns,mm,{}\n0.01,2,1\n"
    read = read_bytes(text.format("N").encode(), rig)
    assert read.channels["load"] == [1, 1]
    assert read.lines == [(4, "a header: other columns from here"), (5, "a header: other columns from here")]
    with pytest.raises(InputError, match="units row gives 'kN'"):
        read_bytes(text.format("kN").encode(), rig)


def test_a_word_of_the_header_in_a_text_cell_is_no_header() -> None:
    text = "Time,Load,Angle,Note\n0,1,2,Time\n0.01,1,2,Load and Angle\n"
    read = read_bytes(text.encode(), make_rig())
    assert (read.row, read.rejects) == ([2, 3], [])


def test_a_line_without_end_does_not_fill_the_memory() -> None:
    rig = make_rig()
    long = b"9" * (3 * LONGEST_LINE)
    for block in (LONGEST_LINE // 2, 1 << 22):
        with blocks_of(block):
            read = read_bytes(b"Time,Load,Angle\n0,1,2\n" + long + b"\n0.01,1,2\n", rig)
            assert (read.row, read.rejected) == ([2, 4], 1)
            assert read.lines == [(3, f"a line longer than {LONGEST_LINE:,} bytes")]
            tail = read_bytes(b"Time,Load,Angle\n0,1,2\n" + long, rig)
            assert (tail.row, tail.rejected) == ([2], 1)
            assert len(tail.rejects[0].text or "") <= 120


def test_a_packed_log_cut_short_gives_its_whole_lines_and_says_so() -> None:
    rig = make_rig()
    packed = gzip.compress(render({}, 3000).encode())
    read = read_bytes(packed[: len(packed) // 2], rig)
    whole = read_bytes(packed, rig)
    assert 0 < len(read.row) < 3000
    assert read.row == whole.row[: len(read.row)]
    torn = "the packed log has no end, and its last line none: it may be half-written"
    assert read.rejects[-1].reason == torn
    no_line_end = read_bytes(gzip.compress(b"Time,Load,Angle\n0,1,2\n0.01,1"), rig)
    assert [r.reason for r in no_line_end.rejects] == ["the last line has no line end: it may be half-written"]
    cut_at_line_end = gzip.compress(b"Time,Load,Angle\n0,1,2\n")[:-8]
    assert [r.reason for r in read_bytes(cut_at_line_end, rig).rejects] == [
        "the packed log has no end: it may be cut short, or still written"
    ]


def test_packed_members_one_after_the_other_are_one_log() -> None:
    data = gzip.compress(b"Time,Load,Angle\n0,1,2\n0.0") + gzip.compress(b"1,3,4\n") + bytes(20)
    read = read_bytes(data, make_rig())
    assert (read.time, read.rejects) == ([0, 0.01], [])


@pytest.mark.parametrize("damage", [lambda d: d[:20] + b"\xff\xff\xff" + d[23:], lambda d: d + b"garbage"])
def test_a_broken_packed_log_is_refused(damage: Any) -> None:
    with pytest.raises(InputError, match="gzip stream is broken"):
        read_bytes(damage(gzip.compress(render({}, 500).encode())), make_rig())


@pytest.mark.parametrize(
    ("data", "declared", "says"),
    [
        ("Time,Load,Angle\n0,1,2\n".encode("utf-16"), "utf-8", "utf-16"),
        ("Time,Load,Angle\n0,1,2\n".encode("utf-16-le"), "latin-1", "utf-16"),
        ("Time,Load,Angle\n0,1,2\n".encode("utf-16-be"), "utf-8", "utf-16"),
        (b"Time,Load,Angle\n0,1,2\n", "utf-16", "not utf-16"),
        ("Time,Load,Angle\n0,1,2\n".encode("utf-8-sig"), "cp1252", "utf-8"),
    ],
)
def test_another_encoding_than_declared_is_refused(data: bytes, declared: str, says: str) -> None:
    with pytest.raises(InputError, match=f"the log is {says}, the rig file says {declared}"):
        read_bytes(data, make_rig({"encoding": declared}))


def test_broken_bytes_cost_their_line_and_no_other() -> None:
    text = b"Time,Load,Angle,Note\n0,1,2,\xff\xfe\n0.01,\xc3,2,a\n0.02,1\xff,2,a\n\x00\x00\x00\n0.03,1,2,\xe2\x82\n"
    read = read_bytes(text, make_rig())
    assert read.row == [2, 6]
    assert [line for line, _ in read.lines] == [3, 4, 5]


@pytest.mark.parametrize(("data", "line", "got"), [
    (b"a,b,c\n1,2,3\n", 1, "a | b | c"),
    (b"rig one\nTime,Load,Travel\n1,2,3\n", 2, "Time | Load | Travel"),
    (b"Time,Load,Angle,Load\n1,2,3,4\n", 1, "Time | Load | Angle | Load"),
    ((bytes(range(14, 256)) + b"\n") * 30, 1, "\ufffd" * 18 + " !"),
])  # fmt: skip
def test_a_header_that_will_not_do_is_shown_with_its_line(data: bytes, line: int, got: str) -> None:
    with pytest.raises(InputError) as told:
        read_bytes(data, make_rig())
    assert str(told.value.where) == f"test.log:{line}"
    assert str(told.value.got).startswith(got)
    assert len(str(told.value.got)) <= 120
    assert told.value.expected


def test_a_header_named_twice_asks_for_a_number() -> None:
    with pytest.raises(InputError, match="names 'Load' 2 times") as caught:
        read_bytes(b"Time,Load,Load,Angle\n0,1,2,3\n", make_rig())
    assert "number of the column" in str(caught.value)


def test_many_bad_rows_of_one_reason_are_one_reject() -> None:
    text = b"Time,Load,Angle\n0,1,2\n" + b"a,b,c\n" * 50_000 + b"0.01,1,2\n"
    read = read_bytes(text, make_rig())
    assert read.row == [2, 50_003]
    assert read.rejected == 50_000
    assert len(read.rejects) == 1
    assert len(text) < text_lines.BLOCK_BYTES


def test_broken_bytes_in_a_date_are_no_time() -> None:
    rig = make_rig(time={"kind": "datetime", "format": "%d %b %Y %H:%M:%S"})
    read = read_bytes(b"Time,Load,Angle\n03 Apr 2026 10:00:00,1,2\n03 \xff\xc3pr 2026 10:00:01,1,2\n", rig)
    assert (read.row, read.lines) == ([2], [(3, "no time that can be read")])
