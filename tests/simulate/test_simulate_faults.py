"""Every fault does what it says to the logs, and the truth says where."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter
from simulated import cycles, scenario

from benchpipe.errors import ConfigError
from benchpipe.simulate import simulate
from benchpipe.simulate.faults import _MAKERS, Fault
from benchpipe.simulate.truth import TruthResult

LOG = {"cut": "cycles", "cycles_per_file": 10, "units_row": True, "line_end": "\r\n"}


def made(folder: Path, *faults: dict[str, Any], **log: Any) -> TruthResult:
    read = TypeAdapter(Fault).validate_python
    return simulate(scenario(cycles(20), log={**LOG, **log}, fault=tuple(read(f) for f in faults)), folder)


def lines(result: TruthResult, number: int) -> list[str]:
    return result.logs[number - 1].read_bytes().decode().split("\r\n")


CASES: list[tuple[dict[str, Any], int, int]] = [  # fault, rows touched, rows added
    ({"kind": "hold-last", "file": 2, "row": 50, "rows": 20, "channel": "Angle"}, 20, 0),
    ({"kind": "sentinel", "file": 2, "row": 50, "rows": 3, "channel": "Torque", "text": "-999"}, 3, 0),
    ({"kind": "lose-rows", "file": 2, "row": 50, "rows": 30}, 30, -30),
    ({"kind": "repeat-rows", "file": 2, "row": 50, "rows": 30}, 30, 30),
    ({"kind": "repeat-header", "file": 2, "row": 50}, 2, 2),
    ({"kind": "mixed-line-ends", "file": 2, "row": 50, "rows": 4}, 4, 0),
    ({"kind": "text-line", "file": 2, "row": 50, "text": "operator: door open"}, 1, 1),
]


@pytest.mark.parametrize(("fault", "rows", "added"), CASES, ids=lambda c: c["kind"] if isinstance(c, dict) else "")
def test_a_fault_touches_its_rows_and_no_others(tmp_path: Path, fault: dict[str, Any], rows: int, added: int) -> None:
    clean, dirty = made(tmp_path / "clean"), made(tmp_path / "dirty", fault)
    (told,) = dirty.faults
    assert (told.kind, told.file, told.row, told.line) == (fault["kind"], dirty.logs[1].name, 50, 2 + 50 + 1)
    assert (told.rows, told.rows_added) == (rows, added)
    assert dirty.logs[0].read_bytes() == clean.logs[0].read_bytes()
    before = clean.logs[1].read_bytes().splitlines(keepends=True)
    after = dirty.logs[1].read_bytes().splitlines(keepends=True)
    at = told.line - 1
    assert len(after) == len(before) + added
    assert after[:at] == before[:at]
    assert after[at + max(rows if added >= 0 else 0, 0) :] == before[at + rows - max(added, 0) :]
    assert added < 0 or after[at : at + rows] != before[at : at + rows]


def test_what_the_faults_write(tmp_path: Path) -> None:
    result = made(tmp_path / "run", *(case[0] for case in CASES[:2]))
    rows = [line.split(",") for line in lines(result, 2)[2:-1]]
    assert {row[2] for row in rows[49:70]} == {rows[49][2]}
    assert rows[70][2] != rows[49][2]
    assert [row[1] for row in rows[50:53]] == ["-999"] * 3
    assert rows[53][1] != "-999"


def test_rows_repeated_after_a_resume_come_from_the_file_before(tmp_path: Path) -> None:
    result = made(tmp_path / "run", {"kind": "repeat-rows", "file": 2, "row": 0, "rows": 7})
    assert lines(result, 2)[2:9] == lines(result, 1)[-8:-1]


def test_the_last_line_is_cut(tmp_path: Path) -> None:
    result = made(tmp_path / "run", {"kind": "truncated-last-line", "file": 1, "keep": 9})
    last = result.logs[0].read_bytes().rsplit(b"\n", 1)[1]
    assert len(last) == 9
    assert result.faults[0].line == len(lines(result, 1))


def test_whole_files_go_missing_double_or_stay_empty(tmp_path: Path) -> None:
    result = made(
        tmp_path / "run",
        {"kind": "duplicate-file", "file": 2, "copy_name": "copy of 2.csv"},
        {"kind": "empty-file", "name": "new.csv"},
        {"kind": "missing-file", "file": 1},
    )
    there = sorted(path.name for path in (tmp_path / "run" / "logs").iterdir())
    assert there == ["copy of 2.csv", "new.csv", "small_0002.csv", "small_0003.csv"]
    assert there == sorted(path.name for path in result.logs)
    assert (tmp_path / "run" / "logs" / "new.csv").read_bytes() == b""
    copies = [(tmp_path / "run" / "logs" / name).read_bytes() for name in ("copy of 2.csv", "small_0002.csv")]
    assert copies[0] == copies[1]
    assert [f.rows_added for f in result.faults] == [result.files[1].rows, 0, -result.files[0].rows]


@pytest.mark.parametrize(
    "log", [{"encoding": "utf-16"}, {"gzip": True}, {"byte_order_mark": True}, {"encoding": "latin-1"}]
)
def test_faults_keep_the_encoding(tmp_path: Path, log: dict[str, Any]) -> None:
    fault = {"kind": "mixed-line-ends", "file": 1, "row": 0}
    clean, dirty = made(tmp_path / "clean", **log), made(tmp_path / "dirty", fault, **log)
    a, b = clean.logs[0].read_bytes(), dirty.logs[0].read_bytes()
    assert a[:4] == b[:4]
    if not log.get("gzip"):
        assert len(a) - len(b) == (2 if log.get("encoding") == "utf-16" else 1)


@pytest.mark.parametrize(
    "fault",
    [
        {"kind": "lose-rows", "file": 9, "row": 0},
        {"kind": "lose-rows", "file": 1, "row": 5000},
        {"kind": "sentinel", "file": 1, "row": 0, "channel": "Torqe"},
        {"kind": "repeat-rows", "file": 1, "row": 0},
        {"kind": "duplicate-file", "file": 1, "copy_name": "small_0002.csv"},
    ],
)
def test_a_fault_that_cannot_be_made_is_an_error_and_leaves_nothing(tmp_path: Path, fault: dict[str, Any]) -> None:
    with pytest.raises(ConfigError):
        made(tmp_path / "run", fault)
    assert list(tmp_path.iterdir()) == []


def test_every_fault_is_tried_here() -> None:
    tried = {case[0]["kind"] for case in CASES}
    assert tried | {"truncated-last-line", "missing-file", "duplicate-file", "empty-file"} == set(_MAKERS)
