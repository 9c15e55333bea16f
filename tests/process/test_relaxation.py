"""Held motions whose load relaxes: found, measured and judged (invented signals, truth known)."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.relaxation.measure import RelaxationBuilder, RelaxationRows
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.cli.main import call
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.samples.signals import Signals
from benchpipe.store.run_store import RunStore
from benchpipe.views.run_view import run_view

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="4 Hz"),
    channel=(ChannelConfig(name="load", column="f", unit="N"), ChannelConfig(name="motion", column="x", unit="mm")),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)
LENGTH, HELD_S = 800.0, 700.0
K = 25.0  # N/mm


def block(motion: float = 2.0) -> RelaxationBlock:
    return RelaxationBlock(
        name="held", kind="relaxation", motion=Quantity(motion, "length"), report_at=("1 min", "5 min")
    )


def lost(part: float, since_s: Any) -> Any:
    """Part of the load that is lost so long after full motion."""
    return part * np.log10(1.0 + np.asarray(since_s) / 2.0)


def held(part: float, *, way: float = 1.0, motion_way: float = 1.0, drift: float = 0.0, seed: int = 3) -> Signals:
    """A motion that comes on in 5 s from 20 s on, is held for 700 s, and goes off."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, LENGTH, 0.25)
    x = np.interp(t, [0.0, 20.0, 25.0, 25.0 + HELD_S, 30.0 + HELD_S, LENGTH], [0.0, 0.0, 2.0, 2.0 + drift, 0.0, 0.0])
    load = K * x * (1.0 - np.where((t > 25.0) & (x > 1.5), lost(part, np.clip(t - 25.0, 0.0, None)), 0.0))
    load = way * load + 0.02 * rng.standard_normal(t.size)
    motion = motion_way * x + 0.0005 * rng.standard_normal(t.size)
    return Signals(np.rint(1e6 * t).astype(np.int64), load, motion, np.empty(0), np.empty(0)).copy()


def rows_of(*pieces: Signals, motion: float = 2.0) -> RelaxationRows:
    builder = RelaxationBuilder(block(motion), RIG)
    for piece in pieces:
        builder.feed(piece)
    return builder.finish()


def within(row: dict[str, Any], name: str, truth: float) -> None:
    assert row[f"{name}_u"] > 0.0
    assert row[name] == pytest.approx(truth, abs=3.0 * row[f"{name}_u"]), name


@pytest.mark.parametrize("part", [0.01, 0.05, 0.1])
def test_the_load_lost_and_its_part_are_found(part: float) -> None:
    rows = rows_of(held(part))
    (row,) = rows.held
    within(row, "load_lost_end", 2.0 * K * float(lost(part, HELD_S)))
    within(row, "load_lost_part_end", float(lost(part, HELD_S)))
    assert row["load_start"] == pytest.approx(2.0 * K, rel=0.01)
    assert row["load_end"] == pytest.approx(2.0 * K * (1.0 - float(lost(part, HELD_S))), rel=0.01)
    assert row["rate_end"] == pytest.approx(2.0 * K * part / (math.log(10.0) * (HELD_S + 2.0)), rel=0.25)
    asked = {p["time_s"]: p for p in rows.points if p["kind"] == "asked"}
    assert sorted(asked) == [60.0, 300.0]
    for at, point in asked.items():
        within(point, "load_lost", 2.0 * K * float(lost(part, at)))
        within(point, "load_lost_part", float(lost(part, at)))


@pytest.mark.parametrize(("way", "motion_way"), [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0)])
def test_signs_of_load_and_motion_change_no_loss(way: float, motion_way: float) -> None:
    (plain,), (turned,) = (
        rows_of(held(0.05)).held,
        rows_of(held(0.05, way=way, motion_way=motion_way), motion=2.0 * motion_way).held,
    )
    for name in ("load_lost_end", "load_lost_part_end", "rate_end"):
        assert turned[name] == pytest.approx(plain[name], rel=0.02), name
    assert turned["load_start"] == pytest.approx(way * plain["load_start"], rel=0.01)
    assert turned["motion_mean"] == pytest.approx(motion_way * plain["motion_mean"], rel=0.01)


def test_a_beginning_that_was_not_seen_gives_no_loss() -> None:
    made = held(0.05)
    (row,) = rows_of(made.select(made.time_us > 40e6)).held
    assert np.isnan(row["load_lost_end"])
    assert "time zero is not known" in row["remark"]


def test_a_time_after_the_end_has_no_row_of_points() -> None:
    config = block().model_copy(update={"report_at": (60.0, 600.0, 1800.0)})
    builder = RelaxationBuilder(config, RIG)
    builder.feed(held(0.03))
    points = builder.finish().points
    asked = [row["time_s"] for row in points if row["kind"] == "asked"]
    assert asked == [60.0, 600.0]
    assert all(math.isfinite(row["load"]) for row in points)


def test_a_motion_that_drifts_is_undecided() -> None:
    (row,) = rows_of(held(0.05, drift=0.035)).held
    assert row["kind"] == "undecided"
    assert "the motion drifts: relaxation at one motion is not separable from it" in row["remark"]
    assert np.isnan(row["load_lost_end"])
    assert np.isnan(row["rate_end"])


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(0, 3200), max_size=4).map(sorted))
def test_where_a_batch_ends_changes_nothing(places: list[int]) -> None:
    made = held(0.05)
    pieces = [made.part(a, b) for a, b in pairwise([0, *places, len(made)]) if b > a]
    assert repr(rows_of(*pieces)) == repr(rows_of(made))


CHANNEL = '[[channel]]\nname = "{0}"\ncolumn = "{0}"\nunit = "{1}"\nuncertainty = "1 %"\n'
LIMIT = (
    '[[limit]]\nname = "{0} {1}"\nblock = "relaxation"\nmeasure = "{0}"\nstatistic = "max"\n'
    'operator = "<="\nvalue = "{1}"\nsource = "invented"\n{2}\n'
)


def lab(folder: Path, *limits: tuple[str, str, str], parts: tuple[float, ...] = (0.02, 0.08, 0.03)) -> Path:
    """A lab of one run with so many held motions."""
    (folder / "logs").mkdir()
    lines = ["time,load,motion\n"]
    for k, part in enumerate(parts):
        made = held(part, seed=k)
        rows = zip(made.time_us * 1e-6 + k * LENGTH, made.load, made.motion, strict=True)
        lines += [f"{a:.2f},{b:.4f},{c:.5f}\n" for a, b, c in rows]
    (folder / "logs" / "a.csv").write_text("".join(lines))
    (folder / "rig.toml").write_text(
        'name = "bench"\n[log]\nformat = "text"\nseparator = ","\n[time]\ncolumn = "time"\nsample_rate = "4 Hz"\n'
        + CHANNEL.format("load", "N") + CHANNEL.format("motion", "mm")
        + '[load]\nchannel = "load"\n[motion]\nchannel = "motion"\n'
    )  # fmt: skip
    (folder / "limits.toml").write_text(
        'name = "own"\nbasis = "invented"\n' + "".join(LIMIT.format(*x) for x in limits)
    )
    (folder / "plan.toml").write_text(
        'name = "one"\nspecimen = "invented"\nrig = "rig.toml"\nlogs = ["logs/*"]\nlimits = ["limits.toml"]\n'
        '[[block]]\nname = "stiff"\nkind = "relaxation"\nmotion = "2 mm"\nreport_at = ["1 min", "5 min"]\n'
        f"planned_relaxations = {len(parts)}\n"
    )
    return folder / "plan.toml"


def test_limits_on_the_load_lost_name_every_held_motion_that_fails(tmp_path: Path) -> None:
    plan = lab(
        tmp_path, ("load_lost_part_end", "10 %", ""), ("load_lost_end", "12 N", ""),
        ("load_lost_part", "20 %", 'at_time = "1 min"'), ("relaxation_rate_end", "1 N/s", ""),
    )  # fmt: skip
    run = load_run(plan)
    outcome = work(run)
    view = run_view(run, outcome.manifest, RunStore(run.store, run.name))
    verdicts = {row["limit"]: row for row in view.limits}
    assert {name: row["verdict"] for name, row in verdicts.items()} == {
        "load_lost_part_end 10 %": "fail", "load_lost_end 12 N": "pass", "load_lost_part 20 %": "pass",
        "relaxation_rate_end 1 N/s": "pass",
    }  # fmt: skip
    failed = verdicts["load_lost_part_end 10 %"]
    assert (failed["at"], failed["remark"]) == ("relaxation 2", "beyond it: relaxation 2")
    assert view.do_next[-1] == "see the raw rows: benchpipe trace RUN stiff --relaxation 2"
    (shown,) = view.blocks
    assert (shown.done, shown.planned, shown.ended) == (3, 3, True)


def test_a_relaxation_is_traced_to_its_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = lab(tmp_path, ("load_lost_end", "20 N", ""), parts=(0.05,))
    assert call(["ingest", str(plan)]) == 0
    assert call(["process", str(plan)]) == 0
    capsys.readouterr()
    assert call(["trace", str(plan), "stiff", "--relaxation", "1"]) == 0
    assert "rows 102 to 2," in capsys.readouterr().out


def test_a_time_that_is_not_reported_is_refused(tmp_path: Path) -> None:
    plan = lab(tmp_path, ("load_lost", "5 N", 'at_time = "2 min"'))
    with pytest.raises(ConfigError, match="does not report at 120 s"):
        work(load_run(plan))
