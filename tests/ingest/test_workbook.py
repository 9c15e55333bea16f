"""Workbooks: a sheet is read to the last bit, by name or the longest, and what is none is refused."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError, MissingExtraError, install_extra
from benchpipe.inspect.draft import draft_rig
from benchpipe.inspect.run import inspect_logs
from benchpipe.readers import workbook
from benchpipe.readers.reader_kit import CHECKS, ReaderCase
from benchpipe.readers.workbook import read_workbook
from tests.ingest.absent import absent
from tests.ingest.workbooks import Cell, write_workbook

pytest.importorskip("python_calamine")


def rows_of(table: pa.Table) -> list[list[Cell]]:
    return [list(table.column_names), *(list(row.values()) for row in table.to_pylist())]


def write_table(path: Path, table: pa.Table) -> None:
    write_workbook(path, {"log": rows_of(table)})


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_the_reader_keeps_every_promise(check: object, tmp_path: Path) -> None:
    check(ReaderCase(read_workbook, write_table, tmp_path, suffix=".xlsx"))  # type: ignore[operator]


def wave(n: int = 400) -> list[list[Cell]]:
    """Cycles under a preamble, with units in the row below the names, and the state of the lock in words."""
    t = np.arange(n) / 20.0
    load = 40.0 - 35.0 * np.cos(2.0 * np.pi * t)
    head: list[list[Cell]] = [
        ["Specimen", "Larch-1 (invented)"], [None], ["t", "Torque", "Angle", "Lock"], ["s", "Nm", "°", None],
    ]  # fmt: skip
    return [*head, *([float(a), float(b), float(b) / 20.0, "locked" if a < 10 else "free"]
                     for a, b in zip(t, load, strict=True))]  # fmt: skip


def test_the_longest_sheet_is_drafted_and_read(tmp_path: Path) -> None:
    path = tmp_path / "run.xlsx"
    write_workbook(path, {"Notes": [["all well"]], "Data": wave()})
    found = inspect_logs([path])
    assert found.questions == ()
    assert found.outline.format == "xlsx"
    assert (found.roles["load"], found.roles["motion"], found.roles["mode"]) == ("torque", "angle", "lock")
    assert found.frequency_hz == pytest.approx(1.0, rel=0.01)
    draft = draft_rig(found, "drafted")
    assert 'variables = ["Data"]' in draft
    assert 'map = { "free" = 0, "locked" = 1 }' in draft
    import tomllib

    rig = RigConfig.model_validate(tomllib.loads(draft))
    with path.open("rb") as file:
        batches = list(read_workbook(path, file, rig))
    torque = np.concatenate([batch.channels["torque"] for batch in batches])
    assert torque.tolist() == [row[1] for row in wave()[4:]]
    assert np.concatenate([batch.row for batch in batches])[0] == 5  # the row of the sheet
    assert not any(batch.rejects for batch in batches)


def rig(**log: object) -> RigConfig:
    return RigConfig.model_validate({
        "name": "x", "log": {"format": "xlsx", **log}, "time": {"column": "t", "sample_rate": "20 Hz"},
        "channel": [{"name": "torque", "column": "Torque", "unit": "N*m"},
                    {"name": "angle", "column": "Angle", "unit": "deg"}],
        "load": {"channel": "torque"}, "motion": {"channel": "angle"},
    })  # fmt: skip


@pytest.mark.parametrize(
    ("name", "told"), [("sheet", "has no sheet 'Other'"), ("bomb", "GB unpacked"), ("no zip", "not a workbook")]
)
def test_what_cannot_be_read_is_refused(name: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "run.xlsx"
    write_workbook(path, {"Data": wave(50)})
    if name == "bomb":
        monkeypatch.setattr(workbook, "LARGEST", 2000)
    if name == "no zip":
        path.write_bytes(b"PK\x03\x04" + b"\0" * 50)
    with path.open("rb") as file, pytest.raises(InputError, match=told):
        list(read_workbook(path, file, rig(units_row=True, variables=["Other"] if name == "sheet" else [])))


def test_a_zip_archive_is_no_workbook(tmp_path: Path) -> None:
    path = tmp_path / "logs.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("log.csv", "a,b\n1,2\n")
    with pytest.raises(InputError, match="the log is a zip archive"):
        inspect_logs([path])


def test_without_the_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "run.xlsx"
    write_workbook(path, {"Data": wave(50)})
    with absent("python_calamine", tmp_path, monkeypatch), pytest.raises(MissingExtraError) as caught:
        inspect_logs([path])
    assert caught.value.do_next == install_extra("xlsx")
