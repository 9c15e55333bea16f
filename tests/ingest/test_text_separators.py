"""A separator too many: a shifted row is never taken, and a log whose rows all end in one is."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.taken import HEAD, Run
from tests.ingest.text_logs import make_rig, read_bytes

RIG = make_rig()
SHIFTED = "10.10,735,11,5.6449,\n"


def log(rows: list[str], header: str = "Time,Load,Angle,comment\n") -> bytes:
    return (header + "".join(rows)).encode()


@pytest.mark.parametrize("row", [SHIFTED, "10.10,735,11,5.6449,  \n", "10.10,735.11,5.6449,,\n", "1,2,3,4,5,6\n"])
@pytest.mark.parametrize("count", [1, 2, 30])
def test_a_row_with_more_cells_than_the_header_is_a_reject(row: str, count: int) -> None:
    plain = [f"{k / 100},735.{k},5.6449,\n" for k in range(count)]
    read = read_bytes(log([*plain, row]), RIG)
    assert len(read.row) == count
    assert [line for line, _ in read.lines] == [count + 2]
    assert "cells instead of 4" in read.rejects[0].reason


def test_a_shifted_first_row_is_no_rule_for_those_after_it() -> None:
    plain = [f"{k / 100},735.{k},5.6449,\n" for k in range(5)]
    for rows in ([SHIFTED, *plain], [SHIFTED, SHIFTED, *plain], [SHIFTED], [SHIFTED, SHIFTED]):
        read = read_bytes(log(rows), RIG)
        assert len(read.row) == len(rows) - rows.count(SHIFTED)
        assert read.rejected == rows.count(SHIFTED)


@pytest.mark.parametrize("quoted", [False, True])
@pytest.mark.parametrize("without", [0, 2])
def test_rows_that_all_end_in_a_separator_are_taken(without: int, quoted: bool) -> None:
    mark = '"' if quoted else ""
    rows = [f"{k / 100},{mark}{k}{mark},{-k},\n" for k in range(40)]
    rows[5 : 5 + without] = [row.replace(",\n", "\n") for row in rows[5 : 5 + without]]
    read = read_bytes(log(rows, "Time,Load,Angle\n"), make_rig({"quoted": quoted}))
    assert (len(read.row), read.rejects) == (40, [])
    assert read.channels["load"] == [float(k) for k in range(40)]


@pytest.mark.parametrize("short", ["0.40,7.5,\n", "12.5,-1.25,\n", "0.40,\n"])
def test_where_rows_end_in_a_separator_one_cell_too_few_is_a_reject(short: str) -> None:
    """The cells after the lost one stand one place to the left, and the last separator makes up their number."""
    rows = [f"{k / 100},{k},{-k},\n" for k in range(40)]
    read = read_bytes(log([*rows[:30], short, *rows[30:]], "Time,Load,Angle\n"), RIG)
    assert len(read.row) == 40
    assert read.lines == [(32, f"{short.count(',')} cells instead of 3")]


def test_a_log_that_grows_gives_what_it_gives_whole(tmp_path: Path) -> None:
    """The rule is final only when the first rows are there; until then nothing is built on."""
    rows = [f"{k / 100},{k},{-k}" + ("," if k > 1 else "") + "\n" for k in range(30)]
    whole = Run(tmp_path / "whole")
    whole.write("a.csv", HEAD + "".join(rows))
    grown = Run(tmp_path / "grown")
    for night in (1, 3, 4, 5, 12, 25, 30):
        grown.write("a.csv", HEAD + "".join(rows[:night]))
        last = grown.take()
    taken = whole.take()
    assert len(taken.samples) == 30
    assert (last.samples, last.rejects) == (taken.samples, taken.rejects)


COMMENT = "Time,Load,Angle,comment\n"
MOVED = "10.10,735,11,5.6449\n"  # by a decimal comma in the load
NUMBERED = "10.10,735.11,5.6449,3\n"  # a person's comment


def plain(count: int) -> list[str]:
    return [f"{k / 100:.2f},735.{k},5.64{k},\n" for k in range(count)]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("at", [0, 3, 40])
def test_a_row_that_is_shifted_into_an_empty_last_column_is_a_reject(at: int, end: str) -> None:
    rows = plain(60)
    rows[at:at] = [MOVED]
    rows[30:30] = [NUMBERED]
    read = read_bytes(log([row.replace("\n", end) for row in rows], COMMENT.replace("\n", end)), RIG)
    assert (len(read.row), [line for line, _ in read.lines]) == (61, [at + 2 + (at == 40)])
    assert read.rejects[0].reason.startswith("shifted")
    assert read.rejects[0].text == MOVED.strip()


def test_numbers_in_a_last_column_that_is_usually_filled_are_no_shift() -> None:
    rows = [f"{k / 100:.2f},{735 + k / 4:g},5.64{k},{k}\n" for k in range(60)]
    assert len(read_bytes(log(rows, COMMENT), RIG).row) == 60


def test_a_shifted_row_is_one_however_the_log_grows(tmp_path: Path) -> None:
    header = "t,F,x,comment\n"
    rows = [f"{k / 100:.2f},735.{k},5.64{k},\n" for k in range(40)]
    rows[2:2] = ["0.02,735,11,5.6449\n"]
    whole, grown = Run(tmp_path / "whole"), Run(tmp_path / "grown")
    whole.write("a.csv", header + "".join(rows))
    for night in (1, 4, 6, 12, 25, 41):
        grown.write("a.csv", header + "".join(rows[:night]))
        last = grown.take()
    taken = whole.take()
    assert (len(taken.samples), len(taken.rejects)) == (40, 1)
    assert (last.samples, last.rejects) == (taken.samples, taken.rejects)


def test_a_log_whose_rows_all_have_a_separator_more_than_those_of_other_logs_is_named(tmp_path: Path) -> None:
    run = Run(tmp_path)
    header = "t,F,x,comment\n"
    shifted = "".join(f"{k / 100 + 1:.2f},735,{k},5.64{k},\n" for k in range(40))
    run.write("b.csv", header + shifted)
    assert "spare-separator" not in run.take().codes  # alone it may be how the logger writes
    run.write("a.csv", header + "".join(f"{k / 100:.2f},735.{k},5.64{k},\n" for k in range(40)))
    taken = run.take()
    assert taken.codes["spare-separator"] == 40
    assert "those of 1 other log(s) have not" in taken.texts
