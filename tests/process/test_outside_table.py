"""Values outside a table of the rig file are counted, said, and measure nothing (invented)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.check.judged import limit
from tests.process.test_lost_rows import CYCLES, RATE, Lab, cells, log

AXIS = ('[motion]\nchannel = "angle"', '[motion]\nchannel = "angle"\ntable = [["0 deg", "0 deg"], ["5 deg", "5 deg"]]')
CHANNEL = ('uncertainty = "0 %"\n', '[[channel.calibration]]\nuncertainty = "0 %"\ntable = [[0, 0], [5, 5]]\n')


def spoilt() -> list[str]:
    """The angle reads 6 to 7 deg in six rows of the twelfth cycle (it begins at 11.3 s), at its largest."""
    rows = log()
    for i, k in enumerate(range(11 * RATE + 22, 11 * RATE + 28)):
        rows[k] = cells(rows[k], A=f"{6 + i / 5:.4f}")
    return rows


def texts(lab: Lab) -> list[str]:
    run = load_run(lab.plan)
    manifest = RunStore(run.store, run.name).manifest()
    remarks = [r for source in manifest.sources for r in source.remarks]
    remarks += [r for step in manifest.steps.values() for r in step.remarks]
    return [r.text for r in remarks if r.code == "outside-table" and r.where in ("durability", *run_files(manifest))]


def run_files(manifest: Any) -> list[str]:
    return [source.file for source in manifest.sources]


@pytest.mark.parametrize(("rig", "where"), [(AXIS, "the table of [motion], 0 to 5 deg (from 6 to 7)"),
                                            (CHANNEL, "its calibration table (0 to 5 raw)")])  # fmt: skip
def test_rows_outside_a_table_are_said_and_their_cycle_is_not_measured(
    tmp_path: Path, rig: tuple[str, str], where: str
) -> None:
    lab = Lab(tmp_path, rig=rig)
    limits = [limit("motion_max", "5.5 deg", statistic="max"), limit("peak_load", "90 N*m", statistic="max")]
    (tmp_path / "limits.toml").write_text('name = "own"\nbasis = "invented"\n' + "\n".join(limits))
    found = lab.night({"a.csv": spoilt()})
    assert [row["lost_rows"] for row in found["rows"] if row["lost_rows"]] == [6]
    (text,) = texts(lab)
    assert text.startswith("6 row(s) of 'angle' lie outside")
    assert where in text
    run = load_run(lab.plan)
    rows = RunStore(run.store, run.name).read(work(run).manifest, "verdicts").to_pylist()
    assert {row["verdict"] for row in rows if row["block"] == "durability"} == {"inconclusive"}
    assert all("(first: cycle 12)" in row["left_out"] for row in rows if row["block"] == "durability")


@pytest.mark.parametrize("rig", [AXIS, CHANNEL])
def test_each_row_is_counted_once_however_many_nights_there_are(tmp_path: Path, rig: tuple[str, str]) -> None:
    lab, rows = Lab(tmp_path, rig=rig), spoilt()
    lab.night({"a.csv": rows[:575]})
    assert texts(lab)[0].startswith("3 row(s)")
    lab.night({"a.csv": rows[:600]})
    lab.night({"b.csv": rows[600:]})
    assert texts(lab)[0].startswith("6 row(s)")
    assert len(rows) == CYCLES * RATE


def test_a_table_that_holds_all_values_says_nothing(tmp_path: Path) -> None:
    lab = Lab(tmp_path, rig=AXIS)
    lab.night({"a.csv": log()})
    assert texts(lab) == []
