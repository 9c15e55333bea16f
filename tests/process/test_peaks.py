"""Logs of which each row is one cycle: from text to a verdict (invented data)."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic.cycles import LOOP_FIELDS
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.cli import commands

RIG = """name = "peak logger"
temperature = "oil"
counter = "count"
[time]
column = "t"
sample_rate = "1 Hz"
"""
CHANNEL = '[[channel]]\nname = "{}"\ncolumn = "{}"\nunit = "{}"\nuncertainty = "0 %"\n'
CHANNELS = (
    ("fmax", "Fmax", "N"), ("fmin", "Fmin", "N"), ("xmax", "xmax", "mm"), ("xmin", "xmin", "mm"),
    ("oil", "T", "degC"), ("count", "n", "1"),
)  # fmt: skip
AXES = """[load]
channel = "fmax"
valley = "fmin"
lever_arm = "250 mm"
sign = {sign}
[motion]
channel = "xmax"
valley = "xmin"
lever_arm = "250 mm"
"""
PLAN = """name = "peaks"
specimen = "invented"
rig = "rig.toml"
limits = ["limits.toml"]
logs = ["*.csv"]
[[block]]
name = "main"
kind = "cyclic"
boundary = "row"
frequency = "1 Hz"
load_min = "5 N*m"
load_max = "80 N*m"
"""
LIMITS = """name = "own"
basis = "invented"
[[limit]]
name = "peak"
block = "main"
measure = "peak_load"
statistic = "max"
operator = "<="
value = "90 N*m"
source = "invented"
[[limit]]
name = "motion"
block = "main"
measure = "motion_range"
operator = "<="
value = "6 deg"
source = "invented"
[[limit]]
name = "done"
block = "main"
measure = "cycles_done"
statistic = "count"
operator = ">="
value = "400 cycles"
source = "invented"
"""


def made(rows: int) -> np.ndarray:
    """Time, peak and valley of force and displacement, temperature, counter; 60 s without rows after row 200."""
    rng = np.random.default_rng(8)
    time = np.arange(1.0, rows + 1) + 60.0 * (np.arange(rows) >= 200)
    force = [320 + rng.normal(0, 1, rows), 20 + rng.normal(0, 1, rows)]
    motion = [25 + rng.normal(0, 0.1, rows), 2 + rng.normal(0, 0.1, rows)]
    return np.column_stack([time, *force, *motion, np.full(rows, 31.0), np.arange(1, rows + 1)])


def write(folder: Path, *ends: int, sign: int = 1) -> Path:
    folder.mkdir()
    channels = "".join(CHANNEL.format(*c) for c in CHANNELS)
    (folder / "rig.toml").write_text(RIG + channels + AXES.format(sign=sign))
    (folder / "plan.toml").write_text(PLAN)
    (folder / "limits.toml").write_text(LIMITS)
    for number, (a, b) in enumerate(zip((0, *ends), ends, strict=False)):
        log(folder / f"{number}.csv", made(ends[-1])[a:b])
    return folder / "plan.toml"


def log(path: Path, rows: np.ndarray) -> None:
    np.savetxt(path, rows, "%.4f", ",", header="t,Fmax,Fmin,xmax,xmin,T,n", comments="")


def cycles_of(plan: Path) -> pa.Table:
    run = load_run(plan)
    return RunStore(run.store, run.name).read(work(run, until="process").manifest, "cycles")


def test_each_row_is_a_cycle_with_its_peaks_and_no_loop(tmp_path: Path) -> None:
    cycles, rows = cycles_of(write(tmp_path / "run", 500)), made(500)
    assert cycles.column("cycle").to_pylist() == list(range(1, 501))
    assert cycles.column("segment").to_pylist() == [1] * 200 + [2] * 300
    assert set(cycles.column("complete").to_pylist()) == {True}
    assert all(f & CycleFlag.PEAKS_ONLY for f in cycles.column("flags").to_pylist())
    for name, values in (
        ("peak_load", 0.25 * rows[:, 1]), ("valley_load", 0.25 * rows[:, 2]),
        ("load_range", 0.25 * (rows[:, 1] - rows[:, 2])),
        ("motion_max", np.degrees(rows[:, 3] / 250)), ("motion_min", np.degrees(rows[:, 4] / 250)),
        ("motion_range", np.degrees((rows[:, 3] - rows[:, 4]) / 250)),
        ("temperature_c", rows[:, 5]), ("counter", rows[:, 6]),
    ):  # fmt: skip
        np.testing.assert_allclose(np.array(cycles.column(name)), values, rtol=1e-4, err_msg=name)
    for name in (*LOOP_FIELDS, "period_s", "peak_time_s", "valley_time_s", "motion_at_peak", "motion_at_valley"):
        assert cycles.column(name).null_count == 500, name


def test_a_turned_sign_turns_peak_and_valley(tmp_path: Path) -> None:
    cycles = cycles_of(write(tmp_path / "run", 20, sign=-1))
    np.testing.assert_allclose(np.array(cycles.column("peak_load")), -0.25 * made(20)[:, 2], rtol=1e-4)
    np.testing.assert_allclose(
        np.array(cycles.column("load_range")), 0.25 * np.ptp(made(20)[:, 1:3], axis=1), rtol=1e-4
    )


def test_cutting_such_a_log_into_nights_changes_nothing(tmp_path: Path) -> None:
    whole = cycles_of(write(tmp_path / "whole", 500))
    plan = write(tmp_path / "cut", 1, 200, 201, 430, 500)
    kept = sorted(plan.parent.glob("*.csv"))
    texts = {path: path.read_bytes() for path in kept}
    for path in kept:
        path.unlink()
    for path in kept:  # a night each
        path.write_bytes(texts[path])
        cut = cycles_of(plan)
    assert cut.equals(whole)


def test_the_commands_judge_it(tmp_path: Path) -> None:
    plan = write(tmp_path / "run", 500)
    (plan.parent / "lab.toml").write_text('name = "lab"\nstore = "store"\nplans = ["plan.toml"]\n')
    code, out, err = commands.run(["nightly", str(plan.parent / "lab.toml")], tmp_path)
    assert code == 0, out + err
    assert "500 cycle(s) peaks only: only peaks and valleys were logged" in " ".join(out.split())
    run = load_run(plan)
    store = RunStore(run.store, run.name)
    verdicts = {v["limit"]: v for v in store.read(store.manifest(), "verdicts").to_pylist()}
    assert {v["verdict"] for v in verdicts.values()} == {"pass"}
    assert verdicts["peak"]["measured"] == pytest.approx(0.25 * made(500)[:, 1].max(), rel=1e-5)
    assert verdicts["motion"]["measured"] == pytest.approx(math.degrees(23 / 250), rel=1e-2)
    code, out, err = commands.run(["trace", str(plan), "main", "--cycle", "300"], tmp_path)
    assert "rows 301 to 301" in out, out + err


def test_a_rig_without_valleys_is_refused(tmp_path: Path) -> None:
    plan = write(tmp_path / "run", 5)
    rig = plan.parent / "rig.toml"
    rig.write_text(rig.read_text().replace('valley = "fmin"\n', ""))
    with pytest.raises(ConfigError, match=r"valley") as caught:
        load_run(plan)
    assert 'add valley = "CHANNEL" to [load]' in str(caught.value)
    rig.write_text(rig.read_text().replace('channel = "fmax"\n', 'channel = "fmax"\nvalley = "xmin"\n'))
    with pytest.raises(ConfigError, match="its valley 'xmin' a length"):
        load_run(plan)


def test_rows_that_were_rejected_are_cycles_lost_before_the_next(tmp_path: Path) -> None:
    """Rejected rows, and rows without a peak or without a valley; the rows lost last are in the block's state."""
    plan = write(tmp_path / "run", 250, 500)
    for name, lines in (("0.csv", (11, 12, 101, 249, 250)), ("1.csv", (1, 200, 250))):
        path = plan.parent / name
        rows = path.read_text(encoding="utf-8").splitlines()
        for k in lines:
            cells = rows[k].split(",")
            rows[k] = {11: "?", 101: ",".join([*cells[:1], "", *cells[2:]])}.get(
                k, ",".join([*cells[:4], "nan", *cells[5:]])
            )
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    run = load_run(plan)
    manifest = work(run, until="process").manifest
    cycles = RunStore(run.store, run.name).read(manifest, "cycles")
    lost = {k: n for k, n in enumerate(cycles.column("lost_rows").to_pylist(), 1) if n}
    assert lost == {11: 2, 99: 1, 246: 3, 444: 1}
    flags = cycles.column("flags").to_pylist()
    assert [k for k, f in enumerate(flags, 1) if f & CycleFlag.LOST_ROWS] == list(lost)
    assert manifest.steps["process"].state["main"]["lost_at_end"] == 1
    assert set(cycles.column("longest_step_s").to_pylist()) == {None}


@pytest.mark.parametrize(("by", "verdict"), [("counter", "pass"), ("detected", "inconclusive")])
def test_the_counter_decides_a_planned_end_that_rows_alone_do_not_show(tmp_path: Path, by: str, verdict: str) -> None:
    """Ten cycles went by in the pause without rows: the counter has them, the log does not; without it nobody knows."""
    plan = write(tmp_path / "run", 230, 400)
    plan.write_text(PLAN + f'planned_cycles = 410\nplanned_by = "{by}"\n')
    (plan.parent / "limits.toml").write_text(LIMITS.replace('"400 cycles"', '"410 cycles"'))
    rows = made(400)
    rows[200:, -1] += 10.0
    for number, part in enumerate((rows[:230], rows[230:])):
        log(plan.parent / f"{number}.csv", part)
    run = load_run(plan)
    manifest = work(run).manifest
    found = {row["limit"]: row for row in RunStore(run.store, run.name).read(manifest, "verdicts").to_pylist()}
    assert (found["done"]["value"], found["done"]["verdict"]) == (410.0, verdict)
    assert found["peak"]["verdict"] == "inconclusive"  # ten cycles were counted, and nobody saw them
    assert "10 counted by the rig and not logged" in found["peak"]["left_out"]
