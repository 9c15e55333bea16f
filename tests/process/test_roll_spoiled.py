"""Spoiled samples in a pass: none enters a figure, and no limit passes on what a spoiled pass may hide (invented)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.process.test_rolls import BLOCK, RIG, TILT, Log, rolling

LIMITS = (
    ("rocker_curvature", "max", "<=", "100 1/m"), ("rocker_curvature", "min", ">=", "0.01 1/m"),
    ("rolling_slope", "max", "<=", "10 m"), ("rolling_slope", "min", ">=", "1 mm"),
    ("rocker_curvature", "mean", "<=", "100 1/m"),
)  # fmt: skip
SURE = RIG.replace('unit = "UNIT"', 'unit = "mm"\nuncertainty = "0 %"').replace(
    'unit = "deg"', 'unit = "deg"\nuncertainty = "0 %"'
)
PART = slice(250, 300)
"""In the first pass, a sixth of it."""


def judged(folder: Path, log: Log, rig: str = SURE, block: str = TILT) -> tuple[list[dict[str, Any]], list[str]]:
    """Rows of the table, and the verdict of each limit."""
    folder.mkdir(exist_ok=True)
    pq.write_table(pa.table(log), folder / "log.parquet")
    (folder / "rig.toml").write_text(rig)
    limits = "".join(
        f'[[limit]]\nname = "{k}"\nblock = "rolled"\nmeasure = "{measure}"\nstatistic = "{statistic}"\n'
        f'operator = "{operator}"\nvalue = "{value}"\nsource = "s"\nverified_by = ""\n'
        for k, (measure, statistic, operator, value) in enumerate(LIMITS)
    )
    (folder / "limits.toml").write_text('name = "l"\nbasis = "b"\n' + limits)
    head = 'name = "r"\nspecimen = "s"\nrig = "rig.toml"\nlimits = ["limits.toml"]\nlogs = ["log.parquet"]\n'
    (folder / "plan.toml").write_text(head + BLOCK + block)
    run = load_run(folder / "plan.toml", folder / "store")
    outcome = work(run)
    store = RunStore(run.store, run.name, run.tables)
    verdicts = store.read(outcome.manifest, "verdicts").to_pylist()
    return store.read(outcome.manifest, "rolls").to_pylist(), [row["verdict"] for row in verdicts]


def test_sound_passes_pass(tmp_path: Path) -> None:
    rows, verdicts = judged(tmp_path, rolling())
    assert [row["remark"] for row in rows] == [None] * 6
    assert verdicts == ["pass"] * 5


@pytest.mark.parametrize("channel", ["f", "cop", "tilt", "ax"])
@pytest.mark.parametrize("how", ["nan", "stuck"])
def test_a_pass_with_many_spoiled_samples_never_lets_a_limit_pass(tmp_path: Path, channel: str, how: str) -> None:
    log = rolling()
    part = slice(230, 330)
    log[channel][part] = np.nan if how == "nan" else log[channel][part.start]
    log["f"] += 0.5 * np.random.default_rng(8).standard_normal(log["f"].size)  # a stuck force shows no noise
    if (channel, how) == ("f", "stuck"):
        log["f"][part] = log["f"][part.start]
    rows, verdicts = judged(tmp_path, log)
    assert rows[0]["curvature_per_m"] is None
    assert rows[0]["remark"]
    assert "pass" not in verdicts


def test_stuck_samples_are_counted_and_none_enters_a_figure(tmp_path: Path) -> None:
    sound, _ = judged(tmp_path / "sound", rolling())
    log = rolling()
    log["tilt"][PART] = log["tilt"][PART.start]
    rows, _ = judged(tmp_path / "stuck", log)
    assert rows[0]["stuck_rows"] == PART.stop - PART.start
    assert rows[0]["lost_rows"] == 0
    assert "stuck on 50 of its rows" in rows[0]["remark"]
    for column in ("curvature_per_m", "slope_mm"):
        assert rows[0][column] == pytest.approx(sound[0][column], rel=0.005)


def test_a_channel_at_an_end_of_its_range_has_no_value_there(tmp_path: Path) -> None:
    log = rolling()
    log["cop"] = np.minimum(log["cop"], 60.0)  # an edge of the plate, 11 deg of 16
    log["cop"] -= np.where(log["cop"] == 60.0, 1e-4 * np.arange(log["cop"].size) % 7e-4, 0.0)  # not one value
    ranged = SURE.replace('column = "cop"', 'column = "cop"\nrange = ["-1 m", "59.9 mm"]')
    rows, verdicts = judged(tmp_path, log, ranged)
    assert {row["curvature_per_m"] for row in rows} == {None}
    assert "cut off" in rows[0]["remark"]
    assert "pass" not in verdicts


def test_an_extreme_is_that_of_the_passes_and_not_their_mean(tmp_path: Path) -> None:
    log = rolling((0.30, 0.40, 0.31))
    global_limits = [("rocker_curvature", "max", "<=", "3 1/m"), ("rocker_curvature", "mean", "<=", "3.3 1/m")]
    rows, _ = judged(tmp_path, log)
    assert max(row["curvature_per_m"] for row in rows) > 3.2 > np.mean([row["curvature_per_m"] for row in rows])
    text = (tmp_path / "limits.toml").read_text()
    for measure, statistic, operator, value in global_limits:
        at = text.index(f'measure = "{measure}"\nstatistic = "{statistic}"')
        text = text[:at] + text[at:].replace("100 1/m", value, 1)
        assert operator == "<="
    (tmp_path / "limits.toml").write_text(text)
    run = load_run(tmp_path / "plan.toml", tmp_path / "store")
    outcome = work(run)
    verdicts = RunStore(run.store, run.name, run.tables).read(outcome.manifest, "verdicts").to_pylist()
    assert (verdicts[0]["verdict"], verdicts[0]["at"]) == ("fail", "pass 1")
    assert verdicts[0]["measured"] == pytest.approx(1 / 0.30, rel=0.01)


def test_a_mean_of_fewer_passes_than_planned_is_not_judged_where_one_has_no_figure(tmp_path: Path) -> None:
    log = rolling((0.30, 0.32, 0.31, 0.31))
    log["tilt"][230:330] = np.nan
    _, verdicts = judged(tmp_path / "enough", log)  # three of four have one, and three are planned
    assert verdicts == ["inconclusive"] * 4 + ["pass"]
    log = rolling()
    log["tilt"][230:330] = np.nan
    _, verdicts = judged(tmp_path / "fewer", log)
    assert verdicts == ["inconclusive"] * 4 + ["not evaluated"]
