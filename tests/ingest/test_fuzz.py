"""Thousands of damaged logs: never a traceback, a hang, a wrong row count or a silent loss.

Damage is done to real-looking logs byte by byte, and by whole lines. What the undamaged lines say
must come out unchanged: each sample is held against its own line, read by a few lines of plain Python.
"""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchpipe.errors import InputError
from tests.ingest.mutated import FORMATS, damaged
from tests.ingest.taken import HEAD, Run
from tests.ingest.text_logs import LINE_END, make_rig, plain_rows, read_bytes, same_numbers

CASES = 2250
MANY = 20_000
SLOWEST_S = 10.0
MOST_MB = 1000
DIALECTS: dict[str, dict[str, Any]] = {
    "plain": {},
    "decimal comma": {"separator": ";", "decimal": ","},
    "thousands": {"separator": "\t", "decimal": ",", "thousands": "."},
    "quoted": {"quoted": True},
    "utf-16": {"encoding": "utf-16"},
    "latin-1": {"encoding": "latin-1"},
    "gbk": {"encoding": "gbk"},
    "spaces": {"separator": "space"},
    "units": {"units_row": True},
}


def log_of(log: dict[str, Any], rows: int = 40) -> bytes:
    """A log as a rig of that dialect writes it."""
    separator = make_rig(log).log.separator_text
    lines = [separator.join(["Time", "Load", "Angle"])]
    lines += [separator.join(["s", "N", "mm"])] if log.get("units_row") else []
    marks = str.maketrans({",": log.get("thousands", ""), ".": log.get("decimal", ".")})
    for k in range(rows):
        numbers = (k / 100, 1000.5 + 40 * np.sin(k / 9), 12 * np.cos(k / 9))
        cells = [f"{number:,.4f}".translate(marks) for number in numbers]
        cells[1] = f'"{cells[1]}"' if log.get("quoted") else cells[1]
        lines.append(separator.join(cells))
    return ("\r\n".join(lines) + "\r\n").encode(log.get("encoding", "utf-8"))


@pytest.mark.parametrize("name", DIALECTS)
def test_damaged_logs_lose_no_line(name: str) -> None:
    lose_no_line(name, CASES // len(DIALECTS), sum(name.encode()))


@pytest.mark.soak
@pytest.mark.parametrize("name", DIALECTS)
def test_many_damaged_logs_lose_no_line(name: str) -> None:
    lose_no_line(name, MANY // 2 // len(DIALECTS) + 1, 1 + sum(name.encode()))


@pytest.mark.parametrize("name", FORMATS)
def test_damaged_logs_of_other_formats_end_soon_and_in_little_memory(name: str, tmp_path: Path) -> None:
    end_well(name, 40, tmp_path)


@pytest.mark.soak
@pytest.mark.parametrize("name", FORMATS)
def test_many_damaged_logs_of_other_formats_end_soon_and_in_little_memory(name: str, tmp_path: Path) -> None:
    end_well(name, MANY // 2 // len(FORMATS) + 1, tmp_path)


def end_well(name: str, count: int, folder: Path) -> None:
    """Read damaged logs in a process of its own: rows or an InputError, no crash, hang or great need of memory."""
    pytest.importorskip({"hdf5": "h5py", "mdf": "asammdf"}.get(name, "pyarrow"))
    command = [sys.executable, "-m", "tests.ingest.mutated", name, str(count), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60 + SLOWEST_S * count, check=False)
    assert done.returncode == 0, (done.returncode, done.stderr[-2000:])
    found = json.loads(done.stdout)
    assert found["read"] + found["refused"] == count
    assert found["read"] > 0
    assert found["slowest_s"] < SLOWEST_S
    assert found["peak_mb"] < MOST_MB


def lose_no_line(name: str, count: int, seed: int) -> None:
    """Read damaged text logs: each line once, and what the undamaged ones say."""
    log = DIALECTS[name]
    rig = make_rig(log)
    whole = log_of(log)
    clean = read_bytes(whole, rig)
    assert (len(clean.row), clean.rejects) == (40, [])
    draw = np.random.default_rng(seed)
    read_count, compared = 0, 0
    for number in range(count):
        data = damaged(whole, draw)
        data = gzip.compress(data, mtime=0) if number % 10 == 9 else data
        begun = time.process_time()
        try:
            read = read_bytes(data, rig)
        except InputError:
            continue
        finally:
            assert time.process_time() - begun < SLOWEST_S
        read_count += 1
        lines = sorted([*read.row, *(line for line, _ in read.lines)])
        assert lines == list(range(lines[0], lines[-1] + 1) if lines else []), "each line once"
        text = data if number % 10 != 9 else gzip.decompress(data)
        holds_what_it_says(text, log, read, clean)
        compared += is_what_a_plain_reader_reads(text, log, read)
    assert read_count > count // 3
    assert compared > count // 3 or log.keys() & {"encoding", "quoted", "units_row"}


def holds_what_it_says(data: bytes, log: dict[str, Any], read: Any, clean: Any) -> None:
    """Lines come out as many as there are, and those that are as they were with the numbers they had."""
    codec = log.get("encoding", "utf-8")
    if codec in ("utf-16", "gbk"):
        return  # a byte more or less changes all letters after it
    text = LINE_END.split(data.removeprefix(b"\xef\xbb\xbf").decode("latin-1"))
    count = len(text) - 1 + bool(text[-1].strip("\r\n\x00\x1a "))
    last = max([*read.row, *(line for line, _ in read.lines)], default=count)
    assert last in (count, count - 1), "the last line"
    known = LINE_END.split(log_of(log).decode("latin-1"))
    number = {line: clean.row.index(k) for k, line in enumerate(known, 1) if k in clean.row}
    for row, line in enumerate(read.row):
        content = text[line - 1]
        if content in number and not moved(text, line):
            for name, values in read.channels.items():
                assert values[row] == clean.channels[name][number[content]], (line, content)


def is_what_a_plain_reader_reads(data: bytes, log: dict[str, Any], read: Any) -> bool:
    """Damaged lines too come out as a few lines of plain Python read them, where those know the dialect."""
    text = data.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace")
    lines = LINE_END.split(text)
    known = lines[0] == log_of(log).decode(log.get("encoding", "utf-8")).split("\r\n")[0]
    other = log.keys() & {"encoding", "quoted", "units_row"} or sum("Load" in line for line in lines) > 1
    if not known or other or text.endswith("\r"):
        return False
    rows, _ = plain_rows(text, make_rig(log))
    assert read.row == [line for line, _ in rows]
    for k, values in enumerate([read.time, *read.channels.values()]):
        assert same_numbers(values, [numbers[k] for _, numbers in rows])
    return True


def moved(text: list[str], line: int) -> bool:
    """Whether a second header before the line may have given its columns other places."""
    return sum("Load" in one for one in text[:line]) > 1


LINES = st.sampled_from(
    ["0.5,1,2\n", "t,F,x\n", "x,t,F\n", "\n", "OVER\n", "0.1,nan,1\n", "9,9\n", '"1",2,3\n', "0.01;1;2\n", "5,1,2\r\n"]
)  # fmt: skip


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(LINES | st.integers(0, 99).map(lambda k: f"{k / 100},{k},{k}\n"), max_size=30), st.binary(max_size=30))
def test_whole_runs_of_odd_lines_add_up(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], noise: bytes
) -> None:
    run = Run(tmp_path_factory.mktemp("odd"))
    run.write("a.csv", HEAD + "".join(lines) + "".join(f"{k / 10 + 10},1,{k}\n" for k in range(3)))
    run.write("b.csv", HEAD.encode() + noise + b"\n" + "".join(lines[::-1]).encode())
    try:
        taken = run.take()
    except InputError:
        return
    first = next(s for s in taken.manifest.sources if s.file == "logs/a.csv")
    assert first.rows == len(lines) + 3
