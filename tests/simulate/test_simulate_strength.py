"""Proofs and lock changes of simulated rigs: the analysis finds again what is true of them."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated import cycles, scenario, table

from benchpipe.blocks.figures import BlockView
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import IdleConfig, LockingConfig, ProofConfig
from benchpipe.simulate.faults import HoldLastConfig, LoseRowsConfig
from benchpipe.simulate.specimen import BacklashConfig, LockConfig
from benchpipe.simulate.truth import TruthResult
from benchpipe.store.run_store import RunStore
from benchpipe.views.run_view import run_view

RIG = """
name = "R1"
mode = "locked"
temperature = "oil"
[log]
header = true
[time]
column = "Time"
sample_rate = "100 Hz"
[[channel]]
name = "torque"
column = "Torque"
unit = "N*m"
range = ["-{end} N*m", "{end} N*m"]
[[channel]]
name = "angle"
column = "Angle"
unit = "deg"
[[channel]]
name = "oil"
column = "Oil"
unit = "degC"
[[channel]]
name = "locked"
column = "Locked"
unit = "1"
[load]
channel = "torque"
[motion]
channel = "angle"
"""
PLAN = """
name = "run"
specimen = "S1 (invented)"
rig = "rig.toml"
logs = ["run/logs/*"]
[[block]]
name = "proof"
kind = "proof"
mode = 1
load = "110 N*m"
settling_load = "10 N*m"
loading_rate = ["15 N*m/s", "25 N*m/s"]
hold_time = "30 s"
hold_tolerance = "1 s"
settling_time = "10 s"
planned_proofs = 2
[[block]]
name = "lock"
kind = "locking"
carry_load = "2 N*m"
still = "0.1 deg"
locked_stiffness = "10 N*m/deg"
asked = "5 deg"
"""
PROOF = ProofConfig(name="proof", settling_load=10.0, load=110.0, rate_per_s=20.0)
LOCKING = LockingConfig(name="locks", locks=4, load=20.0, engage_s=0.2, failing=(3,))


def analysed(folder: Path, made: Any, *, end: float = 500.0) -> tuple[TruthResult, RunStore, Any]:
    """Simulate a scenario and work it through."""
    result = simulate(made, folder / "run")
    (folder / "rig.toml").write_text(RIG.format(end=end))
    (folder / "plan.toml").write_text(PLAN)
    run = load_run(folder / "plan.toml")
    outcome = work(run)
    return result, RunStore(run.store, run.name), outcome.manifest


def shown(folder: Path, block: str) -> BlockView:
    """What is shown of a block of the run in a folder."""
    run = load_run(folder / "plan.toml")
    store = RunStore(run.store, run.name)
    return {b.name: b for b in run_view(run, store.manifest(), store).blocks}[block]


def proofs_of(folder: Path, made: Any, **more: float) -> tuple[TruthResult, list[dict[str, Any]]]:
    result, store, manifest = analysed(folder, made, **more)
    return result, store.read(manifest, "proofs").to_pylist()


@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_a_proof_between_cycles_is_found_again(tmp_path: Path, noise: float) -> None:
    lock = LockConfig(yield_load=100.0, set_per_load=0.01, reference_load=60.0, creep_per_decade=0.005)
    specimen = {"lock": lock, "backlash": BacklashConfig(play=0.05)}
    again = PROOF.model_copy(update={"name": "again"})
    made = scenario(cycles(20), PROOF, again, cycles(10, name="more"), specimen=specimen, noise=noise)
    result, rows = proofs_of(tmp_path, made)
    truths = [b.proof for b in result.blocks if b.proof is not None]
    assert len(rows) == len(truths) == 2
    for row, truth in zip(rows, truths, strict=True):
        assert (row["outcome"], row["rules_broken"], row["sudden_drop"]) == ("held", 0, 0)
        assert row["loading_rate"] == pytest.approx(truth.rate_per_s, abs=3 * row["loading_rate_u"] + 1e-4)
        reached = row["start_us"] * 1e-6 + row["reached_after_s"]
        assert reached == pytest.approx(truth.load_reached_s - 1.1 / 20.0, abs=0.03)  # at the edge of the band
        assert row["hold_time_s"] == pytest.approx(truth.unload_s - truth.load_reached_s, abs=0.15)
        assert row["held_load"] == pytest.approx(110.0, abs=3 * row["held_load_u"] + 1e-3)
        assert row["motion_at_load"] == pytest.approx(truth.motion_at_load, abs=0.01)
        # the truth stands at the end of ten seconds, the reading is the mean of the last of them
        assert row["permanent_set"] == pytest.approx(truth.permanent_set, abs=3 * row["permanent_set_u"] + 1e-3)
        # less than the spring's 10: creep goes on while the load rises, and the set of yielding comes in
        assert row["stiffness_after"] == pytest.approx(10.0, rel=0.005)
    assert rows[0]["permanent_set"] - rows[1]["permanent_set"] == pytest.approx(0.1, abs=0.01)


def test_a_specimen_that_breaks_is_found_again(tmp_path: Path) -> None:
    lock = LockConfig(break_load=95.0, break_part=0.4, break_motion=0.5)
    result, (row,) = proofs_of(tmp_path, scenario(cycles(5), PROOF, specimen={"lock": lock}, noise=0.05))
    truth = result.blocks[1].proof
    assert truth is not None
    assert truth.failure_load == 95.0
    assert (row["outcome"], row["sudden_drop"]) == ("failed", 1)
    assert row["failure_load"] == row["carried_load"] == pytest.approx(95.0, abs=0.3)
    assert row["drop_load"] == pytest.approx(95.0, abs=0.3)
    assert row["drop_size"] == pytest.approx(0.6 * 95.0, abs=0.5)
    assert row["start_us"] * 1e-6 + row["drop_time_s"] == pytest.approx(truth.load_reached_s, abs=0.03)
    for name in ("permanent_set", "stiffness_after", "hold_time_s", "held_load"):
        assert row[name] is None, name
    view = shown(tmp_path, "proof")
    assert view.said.startswith("failed (loading: the load fell suddenly by 57")
    figures = {f.name: f.value for f in view.figures}
    assert figures["peak load at failure"] == row["failure_load"]
    assert figures["permanent set"] is None
    time, load, motion, *_ = table(tmp_path / "run")
    after = time > truth.unload_s + 0.4 * 95.0 / 20.0 + 0.5
    assert np.all(load[after] < 0.5)
    assert motion[after].mean() == pytest.approx(0.6 * 95.0 / 10.0 + 0.5, abs=0.02)  # what broke stays


def test_a_proof_without_a_break_says_so(tmp_path: Path) -> None:
    result = simulate(scenario(PROOF), tmp_path / "run")
    assert result.blocks[0].proof is not None
    assert result.blocks[0].proof.failure_load is None


@pytest.mark.parametrize(
    ("fault", "outcome"),
    [
        (LoseRowsConfig(kind="lose-rows", row=2500, rows=40), "gap"),
        (HoldLastConfig(kind="hold-last", row=1200, rows=4800, channel="Angle"), "held"),  # on the way up
        (HoldLastConfig(kind="hold-last", row=3000, rows=3000, channel="Angle"), "held"),  # in the hold
    ],
)
def test_faults_of_the_log_give_no_sure_number(tmp_path: Path, fault: Any, outcome: str) -> None:
    made = scenario(PROOF, noise=0.05, fault=(fault,))
    _, (row,) = proofs_of(tmp_path, made)
    assert row["outcome"] == outcome
    for name in ("permanent_set", "stiffness_after", "carried_load", "rules_broken", "stiffness_change"):
        assert row[name] is None, name
    assert row["remark"]


def test_a_saturated_load_cell_gives_no_number(tmp_path: Path) -> None:
    made = scenario(PROOF, noise=0.05, rig={"channels": scenario(noise=0.05).rig.channels})
    result, (row,) = proofs_of(tmp_path, made, end=110.0)
    assert result.blocks[0].proof is not None
    assert row["outcome"] == "saturated"
    assert row["peak_load"] is None
    assert row["held_load"] is None


@pytest.mark.parametrize(("noise", "bounces"), [(0.0, 0), (0.02, 3)])
def test_locks_are_found_again(tmp_path: Path, noise: float, bounces: int) -> None:
    block = LOCKING.model_copy(update={"bounces": bounces})
    made = scenario(IdleConfig(name="rest", duration_s=2.0), block, noise=noise)
    result, store, manifest = analysed(tmp_path, made)
    truths = result.blocks[1].locks
    rows = store.read(manifest, "lock_changes").to_pylist()
    locks = [r for r in rows if r["to"] == "locked"]
    assert len(locks) == len(truths) == 4
    assert [r["lock_failed"] for r in locks] == [int(t.failed) for t in truths] == [0, 0, 1, 0]
    for row, truth in zip(locks, truths, strict=True):
        assert row["start_us"] * 1e-6 == pytest.approx(truth.locked_s, abs=0.011)
        assert row["bounces"] == bounces
        if truth.failed:
            assert row["slip"] is None
            continue
        # the place is known to half of `still`; at 10 deg/s that is 5 ms
        assert row["time_to_hold_s"] == pytest.approx(truth.time_to_hold_s, abs=0.005 + 3 * row["time_to_hold_u_s"])
        assert row["slip"] == pytest.approx(truth.slip, abs=3 * row["slip_u"])
        assert row["lock_error"] == pytest.approx(truth.asked + truth.slip - 5.0, abs=0.02)
    unlocks = [r for r in rows if r["to"] == "unlocked"]
    assert [r["outcome"] for r in unlocks] == ["released"] * 5  # the first is that before the first lock
    remarks = [r.code for r in manifest.steps["process"].remarks]
    assert "lock-failed" in remarks
    assert ("mode-bounces" in remarks) is (bounces > 0)
    assert shown(tmp_path, "lock").said == "1 failed, 3 held, 5 released"


def test_nights_give_the_tables_of_one_pass(tmp_path: Path) -> None:
    block = LOCKING.model_copy(update={"bounces": 2})
    result, store, manifest = analysed(tmp_path, scenario(PROOF, block, noise=0.02))
    head, *lines = result.logs[0].read_text(encoding="utf-8").splitlines(keepends=True)
    late = tmp_path / "nights"
    (late / "run" / "logs").mkdir(parents=True)
    for name in ("rig.toml", "plan.toml"):
        shutil.copy(tmp_path / name, late / name)
    run = load_run(late / "plan.toml")
    after = None
    for night, first in enumerate(range(0, len(lines), 1357)):
        text = head + "".join(lines[first : first + 1357])
        (late / "run" / "logs" / f"small_{night:02d}.csv").write_text(text, encoding="utf-8")
        after = work(run).manifest
    assert after is not None
    by_night = RunStore(run.store, run.name)
    for table_name in ("proofs", "lock_changes"):
        whole = store.read(manifest, table_name)
        assert whole.num_rows
        assert by_night.read(after, table_name).equals(whole)
