"""Sweeps and stance windows through the whole pipeline: nights cost their own work, and end with one pass's tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import HoldConfig, SweepConfig
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import RoomConfig, SimulatedChannelConfig, SimulatedRigConfig
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.specimen import BacklashConfig, DirectionConfig, FreeConfig, SpecimenConfig, SpringConfig
from benchpipe.store.run_store import RunStore

RIG = """
name = "r"
mode = "mode"
temperature = "oil"
[log]
format = "text"
units_row = false
[time]
column = "Time"
unit = "s"
sample_rate = "50 Hz"
[load]
channel = "torque"
[motion]
channel = "angle"
""" + "".join(
    f'[[channel]]\nname = "{name}"\ncolumn = "{column}"\nunit = "{unit}"\n'
    for name, column, unit in (
        ("torque", "Torque", "N*m"),
        ("angle", "Angle", "deg"),
        ("oil", "Oil", "degC"),
        ("mode", "Locked", "1"),
    )
)
PLAN = """
name = "one"
specimen = "invented"
rig = "rig.toml"
logs = ["logs/*.csv"]
[[block]]
name = "free"
kind = "sweep"
mode = 0
low = "-4 deg"
high = "4 deg"
frequency = "0.05 Hz"
resistance_between = ["-5 deg", "12 deg"]
usable_load = "3 N*m"
reference_speed = "24 deg/s"
[[block]]
name = "stood"
kind = "stance"
mode = 1
load_min = "28 N*m"
load_max = "32 N*m"
"""
TABLES = ("sweeps", "resistance", "resistance_points", "stances")
FREE = FreeConfig(
    rising=DirectionConfig(coulomb=0.5, laminar=0.02, orifice=4e-4),
    falling=DirectionConfig(coulomb=0.45, laminar=0.025, orifice=5e-4),
    lower_stop=-8.5, upper_stop=16.5, stop_stiffness=4.0, breakaway=0.3, breakaway_motion=1.0,
)  # fmt: skip


def scenario() -> ScenarioConfig:
    """Two sets of sweeps with a stance after each; the room warms the oil by 12 K between them."""
    channels = (
        SimulatedChannelConfig(source="time", name="Time", unit="s", decimals=3),
        SimulatedChannelConfig(source="load", name="Torque", unit="N·m", decimals=3, noise=0.02),
        SimulatedChannelConfig(source="motion", name="Angle", unit="deg", decimals=4, noise=0.002),
        SimulatedChannelConfig(source="temperature", name="Oil", unit="°C", decimals=2, noise=0.02),
        SimulatedChannelConfig(source="mode", name="Locked", decimals=0),
    )
    stance = {"load": 30.0, "duration_s": 12.0, "rest_before_s": 5.0, "recovery_s": 5.0}
    sweeps = {"speeds": (3.0, 8.0, 24.0), "sweeps": 2, "turn_load": 10.0, "pause_s": 1.0}
    return ScenarioConfig(
        name="one", seed=3, note="invented",
        specimen=SpecimenConfig(name="S", spring=SpringConfig(stiffness=15.0), backlash=BacklashConfig(), free=FREE),
        rig=SimulatedRigConfig(
            name="R", sample_rate_hz=50.0, channels=channels, room=RoomConfig(mean_c=25.0, swing_k=0.0)
        ),
        log=WrittenLogConfig(),
        block=(
            SweepConfig(name="free-1", **sweeps), HoldConfig(name="stood-1", **stance),
            SweepConfig(name="free-2", **sweeps), HoldConfig(name="stood-2", **stance),
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[str], Any]:
    """Lines of the log, and the truth."""
    result = simulate(scenario(), tmp_path_factory.mktemp("made") / "run")
    return result.logs[0].read_text(encoding="utf-8").splitlines(keepends=True), result


def night(folder: Path, lines: list[str], cuts: list[int]) -> None:
    """Write the files up to so many lines of the log."""
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    for name, text in (("rig.toml", RIG), ("plan.toml", PLAN)):
        (folder / name).write_text(text, encoding="utf-8")
    for k, (first, last) in enumerate(zip([1, *cuts], [*cuts, len(lines)], strict=True)):
        (folder / "logs" / f"{k}.csv").write_text("".join([lines[0], *lines[first:last]]), encoding="utf-8")


def tables(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Rows of all tables after a night."""
    run = load_run(folder / "plan.toml")
    manifest = work(run, until="process").manifest
    return {name: RunStore(run.store, run.name).read(manifest, name).to_pylist() for name in TABLES}


def test_the_truth_is_found(log: tuple[list[str], Any], tmp_path: Path) -> None:
    lines, result = log
    night(tmp_path, lines, [])
    found = tables(tmp_path)
    truth = result.blocks[0].sweep
    for row in found["sweeps"]:
        if row["range_of_motion"] is not None:
            assert row["range_of_motion"] == pytest.approx(25.0, abs=3 * row["range_of_motion_u"])
    assert sum(row["range_of_motion"] is not None for row in found["sweeps"]) >= 8
    together = {row["direction"]: row for row in found["resistance"] if row["sweep"] is None}
    for way, of in (("forward", truth.rising), ("back", truth.falling)):
        for name, value in (("coulomb", of.coulomb), ("laminar", 24 * of.laminar), ("orifice", 576 * of.orifice)):
            assert together[way][name] == pytest.approx(value, abs=3 * together[way][f"{name}_u"]), (way, name)
        slow = of.coulomb + 3 * of.laminar + truth.breakaway
        assert together[way]["breakaway"] == pytest.approx(slow, abs=0.08)  # five samples on, it has fallen a little
    assert [row["stance"] for row in found["stances"]] == [1, 2]
    assert all(abs(row["drift"]) < 3 * row["drift_u"] for row in found["stances"])


@pytest.mark.parametrize("cuts", [[700], [1500, 3100], [4200, 4230, 6000]])
def test_nights_end_with_the_tables_of_one_pass_and_keep_what_was_settled(
    log: tuple[list[str], Any], tmp_path: Path, cuts: list[int]
) -> None:
    lines, _ = log
    night(tmp_path / "whole", lines, cuts)
    expected = tables(tmp_path / "whole")
    folder = tmp_path / "nights"
    settled: set[str] = set()
    for last in range(len(cuts) + 1):
        ends = [*cuts, len(lines)]
        night(folder, lines[: ends[last]], cuts[:last])
        found = tables(folder)
        run = load_run(folder / "plan.toml")
        state = RunStore(run.store, run.name).manifest().steps["process"].state
        now = {path for block in ("free", "stood") for path in state[block]["settled"]}
        assert settled <= now
        settled = now
    assert found == expected
    assert len(settled) > len(TABLES) - 1


@pytest.mark.parametrize(("window", "told"), [("14 s", True), ("60 s", False)])
def test_a_stance_that_is_too_short_is_told_and_load_on_its_way_is_not(
    log: tuple[list[str], Any], tmp_path: Path, window: str, told: bool
) -> None:
    night(tmp_path, log[0], [])
    (tmp_path / "plan.toml").write_text(f'{PLAN}window = "{window}"\n', encoding="utf-8")
    assert tables(tmp_path)["stances"] == []
    run = load_run(tmp_path / "plan.toml")
    remarks = RunStore(run.store, run.name).manifest().steps["process"].remarks
    assert [r.code for r in remarks if r.where == "stood"] == (["no-stance"] if told else [])
    assert not told or "lasted 12" in remarks[-1].text
