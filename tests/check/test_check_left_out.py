"""What was not measured counts against a limit that no cycle may break: no pass that the samples cannot prove.

All figures are invented.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cyclic.tables import CycleFlag
from tests.check.judged import cycles, judge, limit, rows, run_with
from tests.config.written import RIG

COUNT = 600
BAD = 300
# Measure, statistic, operator, limit, usual value, and the column's value in a spoiled cycle that shows nothing wrong.
NEVER = [
    ("peak_load", "max", "<=", "85 N*m", 80.0),
    ("valley_load", "min", ">=", "2 N*m", 5.0),
    ("motion_max", "max", "<=", "5 deg", 4.0),
    ("motion_min", "min", ">=", "0.1 deg", 0.4),
    ("motion_range", "max", "<=", "4 deg", 3.6),
    ("energy_j", "max", "<=", "2 J", 1.0),
    ("secant_stiffness", "min", ">=", "18 N*m/deg", 20.8),
    ("loss_factor", "max", "<=", "0.2 1", 0.1),
]
SPOILT: dict[str, dict[str, Any]] = {
    "saturated": {"flags": int(CycleFlag.SATURATED)},
    "gap": {"flags": int(CycleFlag.GAP)},
    "lost rows": {"flags": int(CycleFlag.LOST_ROWS), "lost_rows": 3},
    "stood still": {"flags": int(CycleFlag.STOOD_STILL)},
    "under-sampled": {"flags": int(CycleFlag.UNDER_SAMPLED)},
    "thinned": {"longest_step_s": 0.08},
    "broken off": {"flags": int(CycleFlag.OPEN | CycleFlag.BROKEN_OFF), "complete": False, "cycle": None},
    "null": {"null": True},
}


def noisy(usual: float, seed: int = 7) -> list[float]:
    """Values about a usual one, invented."""
    return (usual * (1.0 + 1e-4 * np.random.default_rng(seed).standard_normal(COUNT))).tolist()


def spoilt_cycles(column: str, usual: float, how: dict[str, Any]) -> list[dict[str, Any]]:
    """Cycles of which one was spoiled."""
    made = cycles(COUNT, **{column: noisy(usual)}, period_s=1.0, samples=50, longest_step_s=0.02, start_us=0)
    for i, row in enumerate(made):
        row["start_us"] = 1_000_000 * i
    bad = made[BAD - 1]
    bad |= {k: v for k, v in how.items() if k != "null"}
    if how.get("null"):
        bad[column] = None
    if how.get("cycle", 1) is None:
        for row in made[BAD:]:
            row["cycle"] -= 1
    return made


@pytest.mark.parametrize("how", SPOILT)
@pytest.mark.parametrize(("measure", "statistic", "operator", "value", "usual"), NEVER)
def test_one_spoiled_cycle_leaves_a_limit_that_no_cycle_may_break_undecided(
    tmp_path: Path, measure: str, statistic: str, operator: str, value: str, usual: float, how: str
) -> None:
    if how == "null" and measure in ("peak_load", "valley_load", "motion_max", "motion_min", "motion_range"):
        pytest.skip("the column cannot be null")
    run = run_with(tmp_path, limit(measure, value, operator=operator, statistic=statistic))
    (sound,) = judge(run, cycles=spoilt_cycles(measure, usual, {}))
    assert sound["verdict"] == "pass", sound
    (row,) = judge(run, cycles=spoilt_cycles(measure, usual, SPOILT[how]))
    assert row["verdict"] == "inconclusive", row
    assert row["left_out"].startswith("1 ")
    assert f"cycle {BAD - (how == 'broken off')}" in row["remark"]


@pytest.mark.parametrize("how", [h for h in SPOILT if h != "null"])
def test_what_a_spoiled_cycle_still_shows_fails(tmp_path: Path, how: str) -> None:
    run = run_with(
        tmp_path, limit("peak_load", "85 N*m").replace("\nsource", f'\nstatistic = "max"\n{ACCEPT_ALL}\nsource')
    )
    made = spoilt_cycles("peak_load", 80.0, SPOILT[how] | {"peak_load": 95.0})
    (row,) = judge(run, cycles=made)
    assert row["verdict"] == "fail", row
    assert row["measured"] == pytest.approx(95.0)


ACCEPT_ALL = (
    'accept = { saturated = "100 %", gap = "100 %", lost_rows = "100 %", stood_still = "100 %", thinned = "100 %", '
    'under_sampled = "100 %", missing = "100 %", uncounted = "100 %", why = "invented" }'
)


@pytest.mark.parametrize("how", SPOILT)
def test_a_lab_may_accept_a_share_by_name(tmp_path: Path, how: str) -> None:
    name = {"lost rows": "lost_rows", "stood still": "stood_still", "under-sampled": "under_sampled",
            "broken off": "gap", "null": "missing"}.get(how, how)  # fmt: skip
    measure, value, usual = ("energy_j", "2 J", 1.0) if how == "null" else ("peak_load", "85 N*m", 80.0)
    for share, verdict in (("0.2 %", "pass"), ("0.1 %", "inconclusive")):
        accept = f'accept = {{ {name} = "{share}", why = "invented" }}'
        text = limit(measure, value, statistic="max").replace("\nsource", f"\n{accept}\nsource")
        (row,) = judge(run_with(tmp_path / verdict, text), cycles=spoilt_cycles(measure, usual, SPOILT[how]))
        assert row["verdict"] == verdict, row
        assert row["left_out"]


def test_an_incomplete_cycle_without_missing_samples_hides_nothing(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "85 N*m", statistic="max"), limit("energy_j", "2 J", statistic="max"))
    stop = {"flags": int(CycleFlag.OPEN), "complete": False, "cycle": None, "valley_load": 0.0}
    made = spoilt_cycles("peak_load", 80.0, stop)
    for row in made:
        row["energy_j"] = 1.0 if row["complete"] else None
    assert [row["verdict"] for row in judge(run, cycles=made)] == ["pass", "pass"]
    made[BAD - 1]["peak_load"] = 95.0  # but its samples count
    assert [row["verdict"] for row in judge(run, cycles=made)] == ["fail", "pass"]


@pytest.mark.parametrize(("valley", "verdict"), [(0.0, "pass"), (-0.5, "pass"), (-20.0, "fail")])
def test_a_stop_that_unloads_breaks_no_limit_on_the_valley(tmp_path: Path, valley: float, verdict: str) -> None:
    run = run_with(tmp_path, limit("valley_load", "2 N*m", operator=">=", statistic="min"))
    stop = {"flags": int(CycleFlag.OPEN), "complete": False, "cycle": None, "valley_load": valley}
    (row,) = judge(run, cycles=spoilt_cycles("valley_load", 5.0, stop))
    assert row["verdict"] == verdict


def test_an_unmeasured_cycle_counts_as_off_target(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("off_target", "0.5 %", statistic="share", last_cycles=200))
    made = cycles(200, period_s=1.0, samples=50)
    (row,) = judge(run, cycles=made)
    assert (row["verdict"], row["measured"]) == ("pass", 0.0)
    for i in (10, 11):
        made[i]["flags"] = int(CycleFlag.SATURATED if i == 10 else CycleFlag.GAP)
    (row,) = judge(run, cycles=made)
    assert (row["verdict"], row["measured"]) == ("fail", 0.01)


@pytest.mark.parametrize("how", [h for h in SPOILT if h not in ("broken off", "lost rows", "thinned")])
def test_a_last_value_is_none_where_a_spoiled_cycle_follows_it(tmp_path: Path, how: str) -> None:
    run = run_with(tmp_path, limit("energy_j", "2 J", statistic="last"))
    made = spoilt_cycles("energy_j", 1.0, SPOILT[how])
    made = [*made[:BAD], made[BAD] | {"complete": False, "cycle": None, "flags": int(CycleFlag.OPEN), "energy_j": None}]
    (row,) = judge(run, cycles=made)  # the log ends in the next cycle
    assert row["verdict"] == "inconclusive", row
    assert f"cycle {BAD}" in row["remark"]
    (row,) = judge(run, cycles=[*made[: BAD - 1], made[BAD] | {"start_us": made[BAD - 1]["start_us"]}])
    assert row["verdict"] == "pass", row


def test_every_cycle_begun_is_in_the_base_of_a_median(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("energy_j", "2 J"))
    made = cycles(COUNT + 20, energy_j=1.0, period_s=1.0, samples=50)
    for row in made[100:120]:
        row |= {"complete": False, "cycle": None, "flags": int(CycleFlag.OPEN | CycleFlag.BROKEN_OFF)}
    for i, row in enumerate(made[120:]):
        row["cycle"] = 101 + i
    (row,) = judge(run, cycles=made)
    assert (row["verdict"], row["used"], row["of"]) == ("not evaluated", COUNT, COUNT + 20)


HIDDEN = st.sampled_from([h for h in SPOILT if h != "null"])


@settings(max_examples=25, deadline=None)
@given(how=HIDDEN, which=st.integers(0, len(NEVER) - 1), count=st.integers(1, 5), seed=st.integers(0, 999))
def test_no_drawn_run_with_spoiled_cycles_passes(
    tmp_path_factory: pytest.TempPathFactory, how: str, which: int, count: int, seed: int
) -> None:
    measure, statistic, operator, value, usual = NEVER[which]
    made = spoilt_cycles(measure, usual, {})
    spoil = {k: v for k, v in SPOILT[how].items() if k not in ("cycle", "complete")}
    if how == "broken off":
        spoil = SPOILT["gap"]
    for at in np.random.default_rng(seed).choice(COUNT, count, replace=False).tolist():
        made[at] |= spoil
    run = run_with(tmp_path_factory.mktemp("drawn"), limit(measure, value, operator=operator, statistic=statistic))
    (row,) = judge(run, cycles=made)
    assert row["verdict"] == "inconclusive", row
    assert f"{count} " in row["left_out"]


def test_an_exception_share_counts_what_may_hide_one(tmp_path: Path) -> None:
    text = limit("peak_load", "85 N*m", statistic="max").replace("\nsource", '\nexceptions = "0.5 %"\nsource')
    run = run_with(tmp_path, text)
    for over, spoil, verdict in (
        (0, 0, "pass"),
        (3, 0, "pass"),
        (0, 3, "pass"),
        (2, 2, "inconclusive"),
        (4, 0, "fail"),
    ):
        made = spoilt_cycles("peak_load", 80.0, {})
        for row in made[:over]:
            row["peak_load"] = 95.0
        for row in made[10 : 10 + spoil]:
            row["flags"] = int(CycleFlag.SATURATED)
        (row,) = judge(run, cycles=made)
        assert row["verdict"] == verdict, (over, spoil, row)
        assert "3 of 600 are allowed" in row["remark"]


def test_what_nobody_declared_is_not_exact(tmp_path: Path) -> None:
    rig = RIG.replace('uncertainty = "0 %"\n', "")
    run = run_with(tmp_path / "a", limit("motion_max", "5 deg"), rig=rig)
    (row,) = judge(run, cycles=cycles(COUNT, motion_max=noisy(4.0)))
    assert row["verdict"] == "not evaluated"
    assert row["measured"] == pytest.approx(4.0, rel=1e-3)
    assert row["margin"] == pytest.approx(1.0, rel=1e-3)
    assert "uncertainty of 'angle' not stated" in row["remark"]
    run = run_with(tmp_path / "b", limit("motion_max", "5 deg"), rig=rig, head='undeclared = "accept"')
    (row,) = judge(run, cycles=cycles(COUNT, motion_max=noisy(4.0)))
    assert (row["verdict"], "counted as exact" in row["remark"]) == ("pass", True)
    run = run_with(tmp_path / "c", limit("motion_max", "5 deg"), rig=rig, head='decision = "simple"')
    (row,) = judge(run, cycles=cycles(COUNT, motion_max=noisy(4.0)))
    assert row["verdict"] == "pass"


@pytest.mark.parametrize(("lost", "verdict"), [(0, "pass"), (1, "inconclusive")])
def test_a_lost_row_may_hide_a_single_sample_of_a_stance(tmp_path: Path, lost: int, verdict: str) -> None:
    run = run_with(tmp_path, limit("stance_range", "1 deg", block="stance", statistic="max"))
    stance = {"block": "stood", "stance": 1, "motion_range": 0.1, "motion_range_u": 0.01, "samples": 400}
    (row,) = judge(run, stances=rows("stances", 1, **stance, lost_rows=lost))
    assert row["verdict"] == verdict, row


@pytest.mark.parametrize(("lost", "verdict"), [(0, "pass"), (5, "pass"), (100, "inconclusive")])
def test_a_few_lost_rows_hide_nothing_in_a_figure_of_many(tmp_path: Path, lost: int, verdict: str) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held", statistic="max"))
    hold = {"block": "held", "hold": 1, "creep_end": 0.1, "creep_end_u": 0.01, "samples": 1000}
    (row,) = judge(run, holds=rows("holds", 1, **hold, lost_rows=lost))
    assert row["verdict"] == verdict, row


def test_a_hold_without_a_figure_leaves_the_largest_undecided(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held", statistic="max"))
    hold = {"block": "held", "hold": [1, 2], "creep_end": [0.1, None], "creep_end_u": [0.01, None], "samples": 1000}
    (row,) = judge(run, holds=rows("holds", 2, **hold))
    assert (row["verdict"], row["used"], row["of"]) == ("inconclusive", 1, 2)


def test_a_last_hold_without_a_figure_is_not_the_one_before_it(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held", statistic="last"))
    hold = {"block": "held", "hold": [1, 2], "creep_end": [0.1, None], "creep_end_u": [0.01, None], "samples": 1000}
    (row,) = judge(run, holds=rows("holds", 2, **hold))
    assert (row["verdict"], "hold 2" in row["remark"]) == ("inconclusive", True), row
    hold |= {"creep_end": [None, 0.1], "creep_end_u": [None, 0.01]}
    (row,) = judge(run, holds=rows("holds", 2, **hold))
    assert row["verdict"] == "pass", row


def test_a_last_cycle_without_a_figure_is_not_the_one_before_it(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("energy_j", "2 J", statistic="last"))
    made = cycles(COUNT, energy_j=1.0, period_s=1.0, samples=50)
    made[-1]["energy_j"] = None
    (row,) = judge(run, cycles=made)
    assert (row["verdict"], f"cycle {COUNT}" in row["remark"]) == ("inconclusive", True), row


@pytest.mark.parametrize("statistic", ["max", "median", "mean", "last"])
def test_what_is_left_of_the_only_sweep_passes_by_no_statistic(tmp_path: Path, statistic: str) -> None:
    """A sweep in which the log ended: what is left may break a limit, and proves no pass."""
    run = run_with(tmp_path, limit("free_resistance", "2 N*m", block="free", statistic=statistic))
    left = {"block": "free", "after_sweep": 0, "samples": 300, "duration_s": 9.0, "broken_off": False}
    for size, verdict in ((1.0, "inconclusive"), (9.0, "fail")):
        figures = {f"resistance_{way}": size for way in ("forward", "back")}
        own = {f"resistance_{way}_u": 0.01 for way in ("forward", "back")}
        (row,) = judge(run, incomplete_sweeps=rows("incomplete_sweeps", 1, **left, **figures, **own))
        assert row["verdict"] == (verdict if statistic == "max" else "not evaluated"), row


def test_a_hold_that_the_plan_asks_for_and_that_is_not_there_leaves_the_largest_undecided(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held", statistic="max"))
    block = run.plan.block[1].model_copy(update={"planned_holds": 3})
    plan = run.plan.model_copy(update={"block": (run.plan.block[0], block, *run.plan.block[2:])})
    run = type(run)(**{**vars(run), "plan": plan})
    hold = {"block": "held", "hold": [1, 3], "creep_end": 0.1, "creep_end_u": 0.01, "samples": 1000}
    (row,) = judge(run, holds=rows("holds", 2, **hold))
    assert row["verdict"] == "pass"  # more may be to come
    sweep = rows("sweeps", 1, block="free", sweep=1)
    (row,) = judge(run, holds=rows("holds", 2, **hold), sweeps=sweep)
    assert (row["verdict"], "of 3 that the plan asks for" in row["remark"]) == ("inconclusive", True)


@pytest.mark.parametrize(("length", "verdict"), [(2, "pass"), (50, "inconclusive")])
def test_a_gap_counts_for_as_many_exceptions_as_it_had_time_for(tmp_path: Path, length: int, verdict: str) -> None:
    text = limit("peak_load", "85 N*m", statistic="max").replace("\nsource", '\nexceptions = "2 %"\nsource')
    made = spoilt_cycles("peak_load", 80.0, SPOILT["broken off"])
    for row in made[BAD:]:
        row["start_us"] += 1_000_000 * length
    (row,) = judge(run_with(tmp_path, text), cycles=made)
    assert row["verdict"] == verdict, row


def test_rows_that_are_missing_in_a_log_without_times_are_seen(tmp_path: Path) -> None:
    rig = RIG.replace('column = "t"\nsample_rate', 'kind = "sample"\nsample_rate')
    run = run_with(tmp_path, limit("peak_load", "85 N*m", statistic="max"), rig=rig)
    made = spoilt_cycles("peak_load", 80.0, {})
    made[BAD - 1]["samples"] = 41
    (row,) = judge(run, cycles=made)
    assert (row["verdict"], row["left_out"]) == ("inconclusive", f"1 with samples missing (first: cycle {BAD})")
