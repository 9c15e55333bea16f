"""Text logs, row by row: every line ends once as a row or as a reject, whatever the dialect and the cutting."""

from __future__ import annotations

import codecs
import gzip
import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from benchpipe.config.rig import RigConfig
from benchpipe.readers import text_lines
from tests.ingest.text_logs import LINE_END, Read, make_rig, plain_rows, read_bytes, same_numbers

DIALECTS: list[dict[str, Any]] = [
    {},
    {"separator": ";"},
    {"separator": ";", "decimal": ","},
    {"separator": "\t", "decimal": ",", "thousands": "."},
    {"separator": ";", "thousands": " "},
    {"separator": "|", "thousands": "'"},
    {"separator": "space"},
    {"separator": "space", "decimal": ","},
    {"separator": ",", "missing": ["OVER", "."]},
]
ODD = [
    "", " ", "OVER", ".", "-", "+", "e5", "1e", "1e+", "1.2.3", "1,5", "1;5", "12 3", "0x1F", "1_000", "--1", "nan",
    "-inf", "Infinity", "1e999", "-1e-999", "1e5000000000", "٣", "½", "1'000", "1.000", "1,000", "1.0000", "12.34,5",
    "−5", "1d5", "\x00", "a", "5 ", " 5", "\t5", '"5"', "1.7976931348623157e308", "4.9e-324", "9007199254740993",
    "123456789012345678", "1234567890123456789", "0.1234567890123456789", "1e22", "1e23", "1.5E+003", ".5", "5.",
    "-.5e-3",
]  # fmt: skip


@contextmanager
def blocks_of(size: int) -> Iterator[None]:
    """Read logs in blocks of about so many bytes."""
    with patch.object(text_lines, "BLOCK_BYTES", size):
        yield


@st.composite
def written(draw: st.DrawFn, log: dict[str, Any]) -> str:
    """A number as this dialect writes it, or something else."""
    if draw(st.integers(0, 7)) == 0:
        return draw(st.sampled_from(ODD))
    value = draw(st.floats(-1e9, 1e9) | st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**20)))
    form = draw(st.sampled_from(["{!r}", "{:.3f}", "{:.6e}", "{:.17g}", "{:+.2f}", " {:.4f}", "{:.1f} "]))
    text = form.format(value)
    if log.get("thousands") and draw(st.booleans()):
        text = f"{value:,.3f}".replace(",", "T")
    decimal, thousands = log.get("decimal", "."), log.get("thousands", "")
    return text.replace(".", decimal).replace("T", thousands)


@st.composite
def logs(draw: st.DrawFn) -> tuple[RigConfig, str]:
    """A rig and a log whose rows are mostly right."""
    log = draw(st.sampled_from(DIALECTS))
    rig = make_rig(log)
    order = draw(st.permutations(["Time", "Load", "Angle", "Note"]))
    end = draw(st.sampled_from(["\n", "\r\n", "\r\r\n", "\r"]))
    separator = rig.log.separator_text
    lines = [separator.join(order)]
    for _ in range(draw(st.integers(0, 12))):
        cells = [draw(written(log)) for _ in range(draw(st.sampled_from([4, 4, 4, 4, 4, 3, 5])))]
        line = separator.join(cells)
        lines.append(draw(st.sampled_from([line, line, line, line, lines[0], "", line + separator])))
    ends = [end if draw(st.integers(0, 5)) else "\n" for _ in lines]
    alone = len(ends) == 1 or "\n" in "".join(ends)  # else a CR at the end of the file may be half a line end
    ends[-1] = "\n" if alone else end
    return rig, "".join(a + b for a, b in zip(lines, ends, strict=True))


def agrees(read: Read, text: str, rig: RigConfig) -> None:
    """What was read is what the plain reader reads."""
    rows, rejects = plain_rows(text, rig)
    assert read.row == [number for number, _ in rows]
    for k, values in enumerate([read.time, *(read.channels[c.name] for c in rig.channel)]):
        assert same_numbers(values, [row[k] for _, row in rows])
    assert read.lines == rejects


@given(logs(), st.integers(1, 120))
def test_every_line_is_read_as_a_plain_reader_reads_it(case: tuple[RigConfig, str], block: int) -> None:
    rig, text = case
    assume(not text.endswith("\r\r"))  # the last may be half of a line end: a blank line more or less
    if re.search(rf"{re.escape(rig.log.separator_text)}\s*[\r\n]", text):
        block = max(block, len(text))  # the first rows tell whether all end in a separator: they come in one block
    with blocks_of(block):
        read = read_bytes(text.encode(), rig)
    agrees(read, text, rig)
    assert len(read.row) + read.rejected == len(LINE_END.findall(text)) - 1


@pytest.mark.parametrize("log", DIALECTS, ids=str)
def test_each_odd_cell_is_read_as_a_plain_reader_reads_it(log: dict[str, Any]) -> None:
    rig = make_rig(log)
    separator = rig.log.separator_text
    rows = [separator.join([str(k), cell, "1"]) for k, cell in enumerate(ODD)]
    text = "".join(line + "\n" for line in [separator.join(["Time", "Load", "Angle"]), *rows])
    agrees(read_bytes(text.encode(), rig), text, rig)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(["{!r}", "{:.16e}", "{:.18e}", "{:.25f}"]))
@example(5e-324, "{!r}")
@example(9007199254740993.0, "{:.25f}")
def test_the_number_is_the_nearest_double(value: float, form: str) -> None:
    text = form.format(value)
    read = read_bytes(f"Time,Load,Angle\n0,{text},1\n".encode(), make_rig())
    assert read.channels["load"] == [float(text)]


def numbers(n: int) -> tuple[list[float], list[float], list[float]]:
    draw = np.random.default_rng(3)
    return (
        [k / 100 for k in range(n)],
        np.round(draw.normal(1500, 900, n), 3).tolist(),
        np.round(draw.normal(0, 12, n), 4).tolist(),
    )


def render(log: dict[str, Any], n: int, end: str = "\n", *, quote: bool = False) -> str:
    """The same rows in any dialect."""
    separator, decimal = log.get("separator", ",").replace("space", " "), log.get("decimal", ".")
    lines = [separator.join(["Time", "Load", "Angle"])]
    for values in zip(*numbers(n), strict=True):
        plain = [f"{v:,.4f}".replace(",", "T").replace(".", decimal) for v in values]
        cells = [text.replace("T", log.get("thousands", "")) for text in plain]
        lines.append(separator.join(f'"{c}"' if quote else c for c in cells))
    return "".join(line + end for line in lines)


ENCODED = {
    "utf-8": lambda text: text.encode(),
    "utf-8 with mark": lambda text: codecs.BOM_UTF8 + text.encode(),
    "utf-16": lambda text: codecs.BOM_UTF16_LE + text.encode("utf-16-le"),
    "utf-16 big end first": lambda text: codecs.BOM_UTF16_BE + text.encode("utf-16-be"),
    "utf-16 without mark": lambda text: text.encode("utf-16-le"),
    "latin-1": lambda text: text.encode("latin-1"),
    "cp1252": lambda text: text.encode("cp1252"),
    "gbk": lambda text: text.encode("gbk"),
}


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r\r\n", "\r"], ids=repr)
@pytest.mark.parametrize("log", DIALECTS, ids=str)
def test_every_dialect_gives_the_same_rows(log: dict[str, Any], end: str) -> None:
    read = read_bytes(render(log, 300, end).encode(), make_rig(log))
    time, load, angle = numbers(300)
    assert (read.time, read.channels["load"], read.channels["motion"]) == (time, load, angle)
    assert read.row == list(range(2, 302))
    assert read.rejects == []


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
@pytest.mark.parametrize("name", ENCODED)
def test_every_encoding_gives_the_same_rows(name: str, packed: bool) -> None:
    log = {"separator": ";", "encoding": name.split(" ")[0]}
    preamble = {"utf-8": "Prüfstand µ\n", "gbk": "试验台\n"}.get(log["encoding"], "Prüfstand °C\n")
    data = ENCODED[name](preamble + render(log, 300))
    with blocks_of(999):
        read = read_bytes(gzip.compress(data) if packed else data, make_rig(log))
    time, load, angle = numbers(300)
    assert (read.time, read.channels["load"], read.channels["motion"]) == (time, load, angle)
    assert read.row == list(range(3, 303))
    assert read.rejects == []


def test_quoted_numbers_are_numbers_where_quotes_are_declared() -> None:
    log = {"quoted": True, "thousands": " "}
    read = read_bytes(render(log, 50, quote=True).encode(), make_rig(log))
    assert read.channels["load"] == numbers(50)[1]


def test_separators_and_doubled_quotes_inside_quotes_are_text() -> None:
    text = 'Time,Note,Load,Angle\n0,"a, ""b""",1,2\n0.01,"open,1,2\n0.02,"x" y,1,2\n0.03,"",3,4\n'
    read = read_bytes(text.encode(), make_rig({"quoted": True}))
    assert read.channels["load"] == [1.0, 3.0]
    assert read.lines == [(3, "a quote that is not closed"), (4, "a quote that is not closed")]


def test_a_quote_that_nobody_declared_is_no_number() -> None:
    read = read_bytes(b'Time,Load,Angle\n0,"1",2\n0.01,1,2\n', make_rig())
    assert read.lines == [(2, "no number in the column of 'load'")]


@pytest.mark.parametrize(
    ("form", "written", "micros"),
    [
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 10:00:00.123456", 1795600800123456),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 10:00:00.5", 1795600800500000),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 10:00:00", 1795600800000000),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 10:00:00.1234567", 1795600800123456),
        ("%Y-%m-%dT%H:%M:%S,%f", "2026-11-25T10:00:00,25", 1795600800250000),
        ("%d.%m.%Y %H:%M:%S", " 25.11.2026 10:00:00 ", 1795600800000000),
        ("%d.%m.%Y %H:%M:%S", "5.1.2026 10:00:00", 1767607200000000),
        ("%d-%b-%y %H:%M", "25-Nov-26 10:00", 1795600800000000),
        ("%m/%d/%Y %I:%M:%S %p", "11/25/2026 10:00:00 AM", 1795600800000000),
        ("%F %T", "2024-02-29 00:00:01", 1709164801000000),
        ("%H:%M:%S.%f", "10:00:00.25", 36000250000),
        ("%I:%M %p", "10:00 PM", 79200000000),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-02-29 10:00:00.5", None),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 24:00:00.5", None),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 10:00:00.", None),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-11-25 10:00", None),
        ("%Y-%m-%d %H:%M:%S.%f", "25.11.2026 10:00:00.5", None),
        ("%d.%m.%Y %H:%M:%S", "", None),
    ],
)
def test_dates_are_read_by_the_format_and_nothing_else(form: str, written: str, micros: int | None) -> None:
    rig = make_rig({"separator": ";"}, {"kind": "datetime", "format": form})
    read = read_bytes(f"Time;Load;Angle\n{written};1;2\n".encode(), rig)
    assert read.time == ([] if micros is None else [micros])
    assert read.lines == ([] if micros is not None else [(2, "no time that can be read")])


@given(st.datetimes(), st.integers(0, 6))
def test_every_date_comes_back(stamp: Any, digits: int) -> None:
    import datetime as dt

    text = stamp.strftime("%Y-%m-%d %H:%M:%S.%f").rjust(26, "0")[: 20 + digits].rstrip(".")
    text = text if digits else text[:19]
    rig = make_rig(time={"kind": "datetime", "format": "%Y-%m-%d %H:%M:%S.%f"})
    read = read_bytes(f"Time,Load,Angle\n{text},1,2\n".encode(), rig)
    kept = stamp.replace(microsecond=int(f"{stamp.microsecond:06d}"[:digits].ljust(6, "0")))
    assert read.time == [float((kept - dt.datetime(1970, 1, 1)) // dt.timedelta(microseconds=1))]


def test_date_and_time_may_stand_in_two_columns() -> None:
    rig = make_rig({"separator": ";"}, {"kind": "datetime", "format": "%d.%m.%Y %H:%M:%S.%f", "date_column": "Date"})
    rows = ["1;10:00:00.5;2;25.11.2026", "1;10:00:01;2;5.11.2026", "1;;2;25.11.2026", "1;x;2;25.11.2026"]
    text = "".join(line + "\n" for line in ["Load;Time;Angle;Date", *rows])
    read = read_bytes(text.encode(), rig)
    assert read.time == [1795600800500000, 1793872801000000]
    assert read.lines == [(4, "no time that can be read"), (5, "no time that can be read")]


def test_a_log_without_a_clock_counts_its_rows_and_no_header() -> None:
    rig = make_rig(time={"kind": "sample", "column": None})
    text = "Load,Angle\n1,2\nLoad,Angle\n3,4\nx,4\n\n5,6\n"
    for block in (1, 7, 1000):
        with blocks_of(block):
            read = read_bytes(text.encode(), rig)
        assert read.time == [0, 1, 3]
        assert read.row == [2, 4, 7]
    assert math.isnan(read_bytes(b"Load,Angle\n,\n1,\n", rig).channels["motion"][1])


def test_columns_may_be_numbers_with_or_without_a_header() -> None:
    channel = [{"name": "load", "column": 3, "unit": "N"}, {"name": "motion", "column": 1, "unit": "mm"}]
    for header in (True, False):
        rig = make_rig({"header": header}, {"column": 2}, channel)
        text = "a,a,a\n" * header + "5,0.5,7\n6,0.6,8\n"
        read = read_bytes(text.encode(), rig)
        assert (read.time, read.channels) == ([0.5, 0.6], {"load": [7, 8], "motion": [5, 6]})


def test_an_own_sentinel_belongs_to_its_channel_only() -> None:
    channel = [
        {"name": "load", "column": "Load", "unit": "N", "missing": ["OVER"]},
        {"name": "motion", "column": "Angle", "unit": "mm", "missing": ["."]},
    ]
    read = read_bytes(b"Time,Load,Angle\n0,OVER,1\n1,1,OVER\n2,1,.\n3,.,1\n", make_rig(channel=channel))
    assert read.row == [2, 4]
    assert read.lines == [(3, "no number in the column of 'motion'"), (5, "no number in the column of 'load'")]
