"""A rig file drafted by ``inspect --write-rig`` drives logs through ``nightly`` as it is.

The sample runs come out as with the rig files written by hand, broken logs as the clean one.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.cli.main import call
from benchpipe.simulate import faults as fault
from benchpipe.store.run_store import RunStore
from tests.ingest.driven import PLAN, TORQUE, equal, logs_of, rig_text, simulated

REPO = Path(__file__).resolve().parents[2]
RIGS = {"healthy": "rig-one.toml", "wearing": "rig-two.toml", "creeping-lock": "rig-one-parquet.toml"}
# what no log says: a draft has none of it, and no figure hangs on it but the uncertainties
CALIBRATION = ("certificate", "calibrated", "due", "uncertainty", "uncertainty_floor", "range")


def sample_lab(folder: Path) -> Path:
    """A copy of the sample runs, without what their rig files say of calibrations."""
    runs = folder / "sample_runs"
    shutil.copytree(REPO / "sample_runs", runs, ignore=shutil.ignore_patterns("store"))
    shutil.copytree(REPO / "configs", folder / "configs")
    for rig in RIGS.values():
        lines = (runs / rig).read_text(encoding="utf-8").splitlines()
        kept = [line for line in lines if line.split("=")[0].strip() not in CALIBRATION]
        (runs / rig).write_text("\n".join(kept) + "\n", encoding="utf-8")
    return runs


def tables(store: Path, run: str) -> dict[str, pa.Table]:
    """All that was made of a run but its samples, whose columns are called as the rig file calls them."""
    where = RunStore(store, run)
    manifest = where.manifest()
    names = {part.table for part in manifest.parts()} - {"samples"}
    return {name: where.read(manifest, name) for name in names}


def test_the_sample_runs_come_out_as_with_their_own_rig_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    by_hand, drafted = sample_lab(tmp_path / "hand"), sample_lab(tmp_path / "drafted")
    for run, rig in RIGS.items():
        (drafted / rig).unlink()
        assert call(["inspect", str(drafted / run / "logs"), "--write-rig", str(drafted / rig)]) == 0
    codes = [call(["nightly", str(lab / "lab.toml"), "--brief"]) for lab in (by_hand, drafted)]
    assert codes[0] == codes[1] == 11, capsys.readouterr().err
    for run in RIGS:
        one, other = (tables(lab / "store", run) for lab in (drafted, by_hand))
        assert one.keys() == other.keys()
        assert {"cycles", "holds", "verdicts"} <= one.keys() or run == "wearing"
        for name in one.keys() - {"budgets"}:  # parts are called after their channels
            drop = ["remark"] if name == "verdicts" else []  # it names channels too
            assert equal(one[name].drop_columns(drop), other[name].drop_columns(drop)), f"{run}: {name} differ"
        assert one["cycles"].num_rows > 300


def _row(kind: Any, name: str, row: int, **more: Any) -> Any:
    return kind(kind=name, row=row, **more)


# dialect, faults, and rows of the clean log that the fault takes away
BROKEN: dict[str, tuple[dict[str, Any], tuple[Any, ...], tuple[int, int]]] = {
    "header again, an operator's note, half a last line": (
        {"units_row": True},
        (_row(fault.RepeatHeaderConfig, "repeat-header", 700),
         _row(fault.TextLineConfig, "text-line", 900, text="stopped to look, all well"),
         fault.TruncateConfig(kind="truncated-last-line")),
        (1999, 2000),
    ),
    "decimal comma, grouped thousands, cp1252, mixed line ends": (
        {"separator": ";", "decimal": ",", "thousands": ".", "encoding": "cp1252", "units_row": True},
        (_row(fault.SwapLineEndsConfig, "mixed-line-ends", 100, rows=600),), (0, 0),
    ),
    "UTF-16 with tabs, rows twice": (
        {"separator": "\t", "decimal": ",", "encoding": "utf-16", "units_row": True},
        (_row(fault.RepeatRowsConfig, "repeat-rows", 800, rows=25),), (0, 0),
    ),
    "byte-order mark, quoted cells, gzip": (
        {"byte_order_mark": True, "quoted": True, "separator": "|", "gzip": True, "units_row": True}, (), (0, 0),
    ),
    "German dates, OVER": (
        {"separator": ";", "decimal": ",", "units_row": True, "time_format": "%d.%m.%Y %H:%M:%S,%f"},
        (_row(fault.SentinelConfig, "sentinel", 310, rows=3, channel="Torque"),), (310, 313),
    ),
    "rows lost, GBK": (
        {"encoding": "gbk", "units_row": True, "preamble": ("试验;{name}",)},
        (_row(fault.LoseRowsConfig, "lose-rows", 1205, rows=20),), (1205, 1225),
    ),
    "several files, a copy of one, an empty one": (
        {"units_row": True, "cut": "cycles", "cycles_per_file": 15},
        (fault.DuplicateFileConfig(kind="duplicate-file", file=2, copy_name="copy of 2.csv"),
         fault.EmptyFileConfig(kind="empty-file", name="small_0009.csv")),
        (0, 0),
    ),
}  # fmt: skip


def lab_of(folder: Path, rig: str) -> Path:
    (folder / "plan.toml").write_text(PLAN.format(rig=rig, **TORQUE), encoding="utf-8")
    (folder / "lab.toml").write_text('name = "lab"\nstore = "store"\nplans = ["plan.toml"]\n[health]\nwatch = []\n')
    return folder / "lab.toml"


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> pa.Table:
    """The cycles of the clean log, by a rig file written by hand."""
    folder = simulated(tmp_path_factory.mktemp("clean") / "run")
    (folder / "rig.toml").write_text(rig_text("", 'column = "Time"'), encoding="utf-8")
    assert call(["nightly", str(lab_of(folder, "rig.toml"))]) == 11  # no limits: nothing was judged
    return tables(folder / "store", "run")["cycles"]


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_log_comes_out_as_the_clean_one(name: str, clean: pa.Table, tmp_path: Path) -> None:
    dialect, faults, (first, last) = BROKEN[name]
    folder = simulated(tmp_path / "run", *faults, **dialect)
    assert call(["inspect", *map(str, logs_of(folder)), "--write-rig", str(folder / "drafted.toml")]) == 0
    assert call(["nightly", str(lab_of(folder, "drafted.toml"))]) == 11
    cycles = tables(folder / "store", "run")["cycles"]
    # where nothing was taken away, each cycle is that of the clean log, to the last bit; a date starts elsewhere,
    # and a note between its rows may have been one of them
    start = np.array(clean.column("start_us"))
    period = np.nan_to_num(np.array(clean.column("period_s")), nan=1e9)
    whole = np.array(clean.column("complete")).astype(bool)
    away = (start < last * 20_000) & (start + 1e6 * period > first * 20_000) if last else np.zeros(len(start), bool)
    kept = np.flatnonzero(whole & ~away)
    assert len(kept) >= 36
    mine = np.array(cycles.column("start_us"))
    offset = mine[0] - start[0]
    found = np.searchsorted(mine, start[kept] + offset)
    drop = [n for n in ("cycle", "segment", "start_us", "end_us", "flags", "lost_rows") if n in clean.column_names]
    assert equal(cycles.take(found).drop_columns(drop), clean.take(kept).drop_columns(drop))
