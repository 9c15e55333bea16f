"""What a verdict takes from a row besides its value: its own uncertainty, and why a value is missing (invented)."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from benchpipe.blocks.measures import Measure
from benchpipe.check.measures import our_measures
from tests.check.judged import SURE_RIG, judge, limit, rows, run_with


@pytest.mark.parametrize("measure", ["range_of_motion", "lower_stop", "upper_stop", "usable_range"])
def test_a_figure_of_one_sweep_has_the_uncertainty_of_its_own_column(tmp_path: Path, measure: str) -> None:
    # inside the limit by 0.05: more than two of its own u in the first sweep, less in the second
    run = run_with(tmp_path, limit(measure, "25 deg", block="free", statistic="last"), rig=SURE_RIG)
    for u, verdict in ((0.02, "pass"), (0.04, "inconclusive")):
        sweep = rows("sweeps", 1, block="free", sweep=1, samples=500, **{measure: 24.95, f"{measure}_u": u})
        (row,) = judge(run, sweeps=sweep)
        assert row["verdict"] == verdict


def test_the_last_of_two_figures_without_an_uncertainty_has_the_scatter_of_both(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("range_of_motion", "20 deg", block="free", statistic="last"), rig=SURE_RIG)
    two = rows("sweeps", 2, block="free", sweep=[1, 2], samples=500, range_of_motion=[24.9, 25.1])
    (row,) = judge(run, sweeps=two)
    assert (row["measured"], row["dof"]) == (25.1, 1.0)
    assert row["standard_u"] == pytest.approx(0.2 / math.sqrt(2.0), rel=1e-3)  # s of two: |a - b| / sqrt(2)
    (row,) = judge(run, sweeps=two[:1])
    assert row["verdict"] == "not evaluated"


def test_a_missing_figure_has_the_reason_of_the_last_row_that_has_none(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held", statistic="max"), rig=SURE_RIG)
    held = {"block": "held", "hold": [1, 2, 3], "samples": 1000, "remark": ["too short", "no load", "as planned"]}
    made = rows("holds", 3, **held, creep_end=[None, math.nan, 0.1], creep_end_u=[None, None, 0.001])
    (row,) = judge(run, holds=made)
    assert row["verdict"] == "inconclusive"
    assert row["remark"].endswith("may hide a value that breaks it; no load")
    (row,) = judge(run, holds=[made[0]])
    assert (row["verdict"], row["remark"]) == ("not evaluated", "too short")
    (row,) = judge(run, holds=[made[2]])
    assert (row["verdict"], row["remark"]) == ("pass", "")


def fitted(**columns: object) -> list[dict[str, object]]:
    """Parts of the resistance from the fit over all sweeps, one row a direction."""
    return rows("resistance", 2, block="free", sweep=None, direction=["forward", "back"], **columns)


def test_a_part_of_the_resistance_has_its_own_uncertainty_and_the_name_of_its_direction(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("coulomb", "2 N*m", block="free", statistic="max"), rig=SURE_RIG)
    sweep = rows("sweeps", 1, block="free", sweep=1, samples=500)
    for u, verdict in ((0.02, "pass"), (0.04, "inconclusive")):
        (row,) = judge(run, sweeps=sweep, resistance=fitted(coulomb=[1.0, 1.95], coulomb_u=[0.001, u]))
        assert row["verdict"] == verdict
    (row,) = judge(run, sweeps=sweep, resistance=fitted(coulomb=[2.5, 1.0], coulomb_u=0.001))
    assert (row["verdict"], row["at"], row["remark"]) == ("fail", "forward", "beyond it: forward")


@pytest.mark.parametrize(("lost", "verdict"), [(0, "pass"), (5, "pass"), (300, "inconclusive")])
def test_a_fit_over_all_sweeps_is_as_spoiled_as_the_worst_of_them(tmp_path: Path, lost: int, verdict: str) -> None:
    run = run_with(tmp_path, limit("coulomb", "2 N*m", block="free", statistic="max"), rig=SURE_RIG)
    sweeps = rows("sweeps", 3, block="free", sweep=[1, 2, 3], samples=500, lost_rows=[0, lost, 0])
    (row,) = judge(run, sweeps=sweeps, resistance=fitted(coulomb=1.0, coulomb_u=0.001))
    assert row["verdict"] == verdict


def test_a_change_that_did_not_come_yet_is_not_due_and_one_the_log_cuts_short_is_none(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("time_to_free", "1 s", block="locking"), rig=SURE_RIG)
    locks = rows("lock_changes", 2, block="lock", lock_change=[1, 2], to="locked", outcome="held")
    (row,) = judge(run, lock_changes=locks)
    assert (row["verdict"], row["due"], row["remark"]) == ("not evaluated", False, "no such change yet")
    freed = rows("lock_changes", 1, block="lock", lock_change=3, to="unlocked", time_to_free_s=0.2, time_to_free_u_s=0)
    for outcome, due in (("cut short", False), ("free", True)):
        (row,) = judge(run, lock_changes=[*locks, freed[0] | {"outcome": outcome}])
        assert (row["verdict"], row["due"]) == ("pass" if due else "not evaluated", due)


@pytest.mark.parametrize(
    ("measure", "value", "hides"),
    [
        ("proof_peak_load", "200 N*m", True), ("carried_load", "200 N*m", True), ("proof_hold_time", "99 s", True),
        ("sudden_drops", "0 times", True), ("rules_broken", "0 times", True),
        ("held_load", "200 N*m", False), ("load_drop", "9 N*m", False), ("permanent_set", "1 deg", False),
    ],
)  # fmt: skip
def test_a_lost_row_may_hide_what_one_sample_of_a_proof_shows(
    tmp_path: Path, measure: str, value: str, hides: bool
) -> None:
    statistic = "count" if value.endswith("times") else "max"
    run = run_with(tmp_path, limit(measure, value, block="proof", statistic=statistic), rig=SURE_RIG)
    proof = {"block": "strength", "proof": 1, "complete": True, "outcome": "held", "samples": 1000, "peak_load": 110.0,
             "carried_load": 110.0, "hold_time_s": 30.0, "sudden_drop": 0, "rules_broken": 0, "held_load": 110.0,
             "held_load_u": 0.1, "load_drop": 1.0, "load_drop_u": 0.1, "permanent_set": 0.1, "permanent_set_u": 0.01,
             "load_noise": 0.01}  # fmt: skip
    for lost, verdict in ((0, "pass"), (1, "inconclusive" if hides else "pass")):
        (row,) = judge(run, proofs=rows("proofs", 1, **proof, lost_rows=lost))
        assert row["verdict"] == verdict, row


@pytest.mark.parametrize("measure", our_measures().values(), ids=lambda one: one.name)
def test_how_a_measure_follows_the_scales_is_in_its_unit(measure: Measure) -> None:
    over = measure.unit.split("/")
    powers = [over[0].count(name) - over[1:].count(name) for name in ("load", "motion")]
    assert [measure.load_power, measure.motion_power] == ([1, 1] if measure.unit == "J" else powers)


def test_a_hold_without_a_figure_hides_nothing_in_a_median_of_enough_others(tmp_path: Path) -> None:
    one = limit("creep_end", "1 deg", block="held", statistic="median")
    run = run_with(tmp_path, one, rig=SURE_RIG, head='least_measured = "50 %"')
    held = {"block": "held", "hold": [1, 2, 3, 4], "samples": 1000}
    made = rows("holds", 4, **held, creep_end=[0.1, None, 0.1, 0.1], creep_end_u=[0.01, None, 0.01, 0.01])
    (row,) = judge(run, holds=made)
    assert (row["verdict"], row["used"], row["of"]) == ("pass", 3, 4)


@pytest.mark.parametrize(("lost", "verdict"), [(1, "pass"), (300, "inconclusive")])
def test_a_few_lost_rows_of_the_last_hold_hide_nothing(tmp_path: Path, lost: int, verdict: str) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held", statistic="last"), rig=SURE_RIG)
    held = {"block": "held", "hold": [1, 2], "samples": 1000, "creep_end": 0.1, "creep_end_u": 0.01}
    (row,) = judge(run, holds=rows("holds", 2, **held, lost_rows=[0, lost]))
    assert row["verdict"] == verdict, row
