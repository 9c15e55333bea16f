"""What limits say of a run: each measure, each statistic, what is due, what is missing."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.measures import Measure
from benchpipe.check.decision import Verdict
from benchpipe.check.measures import our_measures
from benchpipe.columns import unit_text
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Remark
from benchpipe.store.run_store import RunStore
from benchpipe.tables import columns
from tests.check.judged import SURE_RIG, TODAY, cycles, judge, limit, rows, run_with
from tests.config.written import RIG
from tests.steps_done import check_run

BLOCK = {
    "cyclic": "durability",
    "hold": "held",
    "relaxation": "relaxation",
    "sweep": "free",
    "run": "run",
    "proof": "proof",
    "locking": "locking",
    "stance": "stance",
    "roll": "roll",
}
STATISTIC = {"cycles_done": "count", "off_target": "share"}
COUNTED = ("cycles_done", "lock_changes")  # a test may ask for more of them: not due before
NO_NULL = (*COUNTED, "off_target", "plan_order_broken", "logs_out_of_calibration")  # nothing stands for a missing value
MANY = 600  # cycles that show their noise
UNITS = {"load": "N*m", "motion": "deg"}
DUE = SURE_RIG.replace('unit = "deg"', 'unit = "deg"\ndue = 2031-06-11')
DUE = DUE.replace('unit = "N*m"', 'unit = "N*m"\ndue = 2031-06-12').replace(
    'unit = "degC"', 'unit = "degC"\nuncertainty = "0 %"'
)


def limit_on(measure: Measure, value: float, operator: str) -> str:
    """A limit in the measure's unit."""
    unit = {"off_target": "1"}.get(measure.name, unit_text(measure.unit, UNITS))
    usual = "count" if measure.unit == "times" else "median"
    keys: dict[str, Any] = {"statistic": STATISTIC.get(measure.name, usual), "operator": operator}
    if measure.table in ("creep_points", "relaxation_points"):
        keys["at_time"] = "10 min"
    return limit(measure.name, f"{value!r} {unit}", block=BLOCK[measure.kind], **keys)


def made(measure: Measure, value: float | None) -> dict[str, list[dict[str, Any]]]:
    """Tables in which a measure has a value."""
    if measure.name == "cycles_done":
        return {"cycles": cycles(0 if value is None else int(value))}
    if measure.name == "off_target":
        return {"cycles": cycles(40, flags=[int(CycleFlag.OFF_TARGET) if i % 4 == 0 else 0 for i in range(40)])}
    if measure.name == "leak_exponent":  # the rate goes with the load to the power of the value
        load = [20.0, 30.0, 40.0, 50.0]
        rate = [None if value is None else (q / 20.0) ** value * 1e-3 for q in load]
        sure = [None if r is None else 1e-4 * r for r in rate]
        return {"holds": rows("holds", 4, block="held", hold=[1, 2, 3, 4], load_mean=load, leak_per_h=rate,
                              leak_u_per_h=sure)}  # fmt: skip
    if measure.table == "creep_points":
        (column,) = measure.columns
        point = {"block": "held", "hold": 1, "kind": "asked", "time_s": 600.0, column: value, f"{column}_u": 0.0}
        return {"holds": rows("holds", 1, block="held", hold=1, duration_s=1800.0),
                "creep_points": rows("creep_points", 1, **point)}  # fmt: skip
    if measure.kind == "relaxation":
        (column,) = measure.columns
        held = {"block": "stiff", "relaxation": 1, "duration_s": 1800.0}
        if measure.table == "relaxations":
            return {"relaxations": rows("relaxations", 1, **held, **{column: value, f"{column}_u": 0.0})}
        point = {"block": "stiff", "relaxation": 1, "kind": "asked", "time_s": 600.0, column: value, f"{column}_u": 0.0}
        points = rows("relaxation_points", 1, **point)
        return {"relaxations": rows("relaxations", 1, **held), "relaxation_points": points}
    if measure.kind == "roll":
        given = {"curvature_per_m": 1.0, "slope_mm": 1.0, (measure.columns or ("curvature_per_m",))[0]: value}
        plain = {"direction": "forward", "remark": "why"}
        locked = rows("rolls", 3, block="rolled", roll=[1, 2, 3], **plain, **given)
        return {"rolls": locked + rows("rolls", 3, block="rolled-free", roll=[1, 2, 3], **plain, curvature_per_m=1.0)}
    if measure.name == "travel":
        both = {"motion_max": 30.0, "motion_min": 30.0 - value if value is not None else math.nan}
        return {"sweeps": rows("sweeps", 3, block="free", sweep=[1, 2, 3], **both)}
    if measure.name == "free_resistance":
        both = {"resistance_forward": None if value is None else 0.5 * value, "resistance_back": value,
                "resistance_forward_u": 0.0, "resistance_back_u": 0.0}  # fmt: skip
        return {"sweeps": rows("sweeps", 3, block="free", sweep=[1, 2, 3], **both)}
    if measure.name == "lock_changes":
        return {"lock_changes": rows("lock_changes", int(value or 0), block="lock", lock_change=1, to="locked")}
    if measure.kind in ("proof", "locking"):
        given = measure.columns[0], value if value is None or measure.unit != "times" else int(value)
        sure = {measure.u_column: 0.0} if measure.u_column else {}
        to = "unlocked" if measure.name in ("time_to_free", "unlock_failures") else "locked"
        known: dict[str, Any] = {"block": "strength", "proof": 1}
        if measure.kind == "locking":
            known = {"block": "lock", "lock_change": 1, "to": to}
        if measure.kind == "proof" and not sure and measure.unit == "load":
            known |= {"load_noise": 0.0}
        return {measure.table: rows(measure.table, 1, **{given[0]: given[1]}, **sure, **known, remark="why")}
    if measure.kind == "cyclic":
        return {"cycles": cycles(MANY, **{measure.columns[0]: value})}
    if measure.kind == "hold":
        sure = {measure.u_column: 0.0} if measure.u_column else {}
        if measure.name == "log_slope":
            sure = {"log_slope_low": value, "log_slope_high": value}
        if measure.name == "law_spread":
            sure = {"creep_law_low": 0.0}
        count = 2 if not sure and not measure.bound else 1  # one value without an uncertainty of its own is not known
        given = {measure.columns[0]: value, "hold": [1, 2][:count]}
        return {"holds": rows("holds", count, block="held", **given, **sure)}
    sure = {measure.u_column: 0.0} if measure.u_column else {}
    if measure.kind == "stance":
        return {"stances": rows("stances", 2, block="stood", stance=[1, 2], **{measure.columns[0]: value}, **sure)}
    free = rows("sweeps", 3, block="free", sweep=[1, 2, 3], **{measure.columns[0]: value}, **sure)
    if measure.table == "resistance":
        many = {"block": "free", "sweep": [3, 3, None, None], "direction": ["forward", "back"] * 2}
        found = [99.0, 99.0, value, value]  # only the fit over all sweeps is judged
        free = rows("sweeps", 3, block="free", sweep=[1, 2, 3])
        return {"sweeps": free, "resistance": rows("resistance", 4, **many, **{measure.columns[0]: found}, **sure)}
    return {"sweeps": free}


def value_of(measure: Measure) -> float:
    """The value that :func:`made` gives, in the inside unit."""
    return {"cycles_done": 40.0, "off_target": 0.25, "days_to_calibration": 10 * 86_400.0}.get(measure.name, 12.0)


OF_LOGS = ("plan_order_broken", "logs_out_of_calibration")


@pytest.mark.parametrize("name", [n for n in sorted(our_measures()) if n not in OF_LOGS])
def test_a_limit_on_each_measure_passes_and_fails(tmp_path: Path, name: str) -> None:
    measure = our_measures()[name]
    tables = {} if measure.name == "days_to_calibration" else made(measure, 40.0 if name == "cycles_done" else 12.0)
    value = value_of(measure)
    for sub, bound, operator, verdict in [
        ("a", 2.0 * value, "<=", "pass"),
        ("b", 0.5 * value, "<=", "fail"),
        ("c", 0.5 * value, ">=", "pass"),
        ("d", 2.0 * value, ">=", "not evaluated" if name in COUNTED else "fail"),
    ]:
        run = run_with(tmp_path / sub, limit_on(measure, bound, operator), rig=DUE)
        (row,) = judge(run, **tables)
        assert row["verdict"] == verdict, (operator, row)
        assert row["measured"] == pytest.approx(value)
        sign = 1.0 if operator == ">=" else -1.0
        assert row["margin"] == pytest.approx(sign * (value - bound))
        assert row["due"] is (verdict != "not evaluated")


@pytest.mark.parametrize("name", [n for n in sorted(our_measures()) if n not in NO_NULL])
@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("operator", ["<=", ">="])
def test_a_measure_without_a_value_never_passes(tmp_path: Path, name: str, decision: str, operator: str) -> None:
    measure = our_measures()[name]
    may_be_null = measure.kind != "run" and all(columns(measure.table)[c].null for c in measure.columns)
    tables = {} if measure.name == "days_to_calibration" else made(measure, None if may_be_null else math.nan)
    bound = 1e6 if operator == "<=" else -1e6
    head = f'decision = "{decision}"'
    (row,) = judge(run_with(tmp_path, limit_on(measure, bound, operator), rig=SURE_RIG, head=head), **tables)
    assert row["verdict"] == "not evaluated"
    assert row["measured"] is None
    assert row["due"] is (name != "leak_exponent")  # three levels of load may never come
    assert row["remark"]


def test_the_order_of_the_plan_is_judged_when_two_blocks_are_there(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("plan_order_broken", "0 times", block="run", statistic="count"))
    (row,) = judge(run, cycles=cycles(9))
    assert (row["verdict"], row["due"]) == ("not evaluated", False)
    both = {"cycles": cycles(9), "holds": rows("holds", 1, block="held", hold=1)}
    (row,) = judge(run, **both)
    assert (row["verdict"], row["measured"]) == ("pass", 0.0)
    early = Remark(step="process", code="order", where="held", count=1, text="too early")
    (row,) = judge(run, remarks=(early,), **both)
    assert (row["verdict"], row["measured"], row["remark"]) == ("fail", 1.0, "'held': too early")


@pytest.mark.parametrize("kind", ["cyclic", "hold", "sweep"])
def test_a_block_without_rows_never_passes(tmp_path: Path, kind: str) -> None:
    measure = next(m for m in our_measures().values() if m.kind == kind and m.name != "cycles_done")
    (row,) = judge(run_with(tmp_path, limit_on(measure, 1e6, "<=")), cycles=[], holds=[], sweeps=[], creep_points=[])
    assert (row["verdict"], row["due"]) == ("not evaluated", True)
    assert "found" in row["remark"]


@pytest.mark.parametrize(("done", "due"), [(0, True), (1, False), (999, False), (1000, True)])
def test_a_hold_after_a_cycle_test_is_due_when_that_is_done(tmp_path: Path, done: int, due: bool) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held"))
    (row,) = judge(run, cycles=cycles(done), holds=[], creep_points=[])
    assert (row["verdict"], row["due"]) == ("not evaluated", due)
    assert due or row["remark"] == f"no hold yet, 'durability' before it is at {done:,} of 1,000 cycles"


def test_a_block_before_the_cycle_test_does_not_wait_for_it(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="held"))
    turned = run.plan.model_copy(update={"block": run.plan.block[::-1]})
    (row,) = judge(type(run)(**{**vars(run), "plan": turned}), cycles=cycles(5), holds=[], creep_points=[])
    assert (row["verdict"], row["due"]) == ("not evaluated", True)


def test_without_a_log_nothing_is_due(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m"), limit("creep_end", "1 deg", block="held"))
    for row in judge(run, logs=False):
        assert (row["verdict"], row["due"], row["remark"]) == ("not evaluated", False, "no log of this block yet")


def test_a_log_whose_rows_were_all_rejected_is_not_waited_for(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m"), limit("creep_end", "1 deg", block="held"))
    for row in judge(run, samples=0, cycles=[], holds=[]):
        assert (row["verdict"], row["due"]) == ("not evaluated", True)


def test_a_kind_of_block_that_the_plan_does_not_have_is_never_due(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m", block="cyclic"))
    (row,) = judge(run, cycles=cycles(10))
    assert row["block"] == "durability"
    held_only = run.plan.model_copy(update={"block": run.plan.block[1:]})
    (row,) = judge(type(run)(**{**vars(run), "plan": held_only}), cycles=[])
    assert (row["due"], row["remark"]) == (False, "not applicable: the plan has no cyclic block")


NONE = "not evaluated"


@pytest.mark.parametrize(("missing", "verdict"), [(0, "pass"), (6, "pass"), (7, NONE), (600, NONE)])
@pytest.mark.parametrize("how", ["null", "flag"])
def test_too_many_gaps_are_not_evaluated(tmp_path: Path, missing: int, verdict: str, how: str) -> None:
    run = run_with(tmp_path, limit("energy_j", "1 J"), rig=SURE_RIG)
    lost = [i < missing for i in range(MANY)]
    energy = [None if gone and how == "null" else 0.5 for gone in lost]
    flags = [int(CycleFlag.GAP) if gone and how == "flag" else 0 for gone in lost]
    (row,) = judge(run, cycles=cycles(MANY, energy_j=energy, flags=flags))
    assert (row["verdict"], row["used"], row["of"]) == (verdict, MANY - missing, MANY)
    assert bool(row["remark"]) is (verdict != "pass")


@pytest.mark.parametrize("flag", list(CycleFlag))
def test_which_flags_keep_a_cycle_from_being_judged(tmp_path: Path, flag: CycleFlag) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m"))
    (row,) = judge(run, cycles=cycles(10, flags=int(flag)))
    measured = (CycleFlag.OFF_TARGET, CycleFlag.PEAKS_ONLY, CycleFlag.LOST_ROWS, CycleFlag.BROKEN_OFF)
    assert row["used"] == (10 if flag in measured else 0)


def test_open_cycles_have_no_number_and_are_never_counted(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("cycles_done", "9 cycles", operator=">=", statistic="count"))
    number: list[int | None] = [None, *range(1, 9), None]
    (row,) = judge(run, cycles=cycles(10, cycle=number, complete=[n is not None for n in number]))
    assert (row["measured"], row["due"], row["remark"]) == (8.0, False, "8 of 9 cycles so far")


VALUES = [float(v) for v in [10, 20, 30, 40, 100]]


@pytest.mark.parametrize(
    ("statistic", "expected"),
    [("median", 30.0), ("mean", 40.0), ("max", 100.0), ("min", 10.0), ("last", 100.0)],
)
def test_how_values_are_put_together(tmp_path: Path, statistic: str, expected: float) -> None:
    run = run_with(tmp_path, limit("secant_stiffness", "1000 N*m/deg", statistic=statistic), rig=SURE_RIG)
    (row,) = judge(run, cycles=cycles(5, secant_stiffness=VALUES))
    assert row["measured"] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("window", "first", "last", "due"),
    [
        ({"last_cycles": 5}, 596, 600, True),
        ({"last_cycles": 600}, 1, 600, True),
        ({"last_cycles": 601}, None, None, False),
        ({"cycles": [3, 7]}, 3, 7, True),
        ({"cycles": [3, 600]}, 3, 600, True),
        ({"cycles": [3, 601]}, None, None, False),
        ({}, 1, 600, True),
    ],
)
def test_windows(tmp_path: Path, window: dict[str, Any], first: int | None, last: int | None, due: bool) -> None:
    run = run_with(tmp_path, limit("peak_load", "90 N*m", **window))
    (row,) = judge(run, cycles=cycles(600))
    assert (row["first"], row["last"], row["due"]) == (first, last, due)
    assert row["remark"] == ("" if due else "600 cycles so far")
    if due and first and last:
        assert row["used"] == row["of"] == last - first + 1


def change(tmp_path: Path, stiffness: list[float | None], rig: str = RIG, value: str = "-15 %") -> dict[str, Any]:
    """Verdict on the change of a stiffness since the baseline (cycles 10 to 20)."""
    one = limit("secant_stiffness", value, operator=">=", statistic="change", last_cycles=10)
    return judge(run_with(tmp_path, one, rig=rig), cycles=cycles(len(stiffness), secant_stiffness=stiffness))[0]


def test_a_change_is_the_ratio_to_the_baseline(tmp_path: Path) -> None:
    row = change(tmp_path, [100.0] * 9 + [20.0] * 11 + [18.0] * 20)
    assert row["measured"] == pytest.approx(-0.1)
    assert row["verdict"] == "inconclusive"  # forty cycles do not show their noise
    steady = 20.0 + 0.01 * np.random.default_rng(1).standard_normal(MANY)
    row = change(tmp_path / "long", steady.tolist())
    assert (row["verdict"], "temperature was not taken out" in row["remark"]) == ("pass", True)


def test_calibration_cancels_in_a_change(tmp_path: Path) -> None:
    assert change(tmp_path, [20.0] * MANY)["expanded_u"] == 0.0


def test_a_stiffness_that_is_gone_has_changed_by_all_of_it(tmp_path: Path) -> None:
    row = change(tmp_path, [20.0] * 20 + [0.0] * 20)
    assert (row["measured"], row["verdict"]) == (-1.0, "fail")


def test_a_baseline_of_zero_gives_no_change(tmp_path: Path) -> None:
    row = change(tmp_path, [0.0] * 20 + [18.0] * 20)
    assert (row["verdict"], row["due"]) == ("not evaluated", True)
    assert row["remark"] == "the baseline is zero: no change from it is known"


def test_a_baseline_with_holes_gives_no_change(tmp_path: Path) -> None:
    holes: list[float | None] = [20.0] * 12 + [None] * 8
    row = change(tmp_path, holes + [18.0] * 20)
    assert (row["verdict"], row["due"]) == ("not evaluated", True)
    assert row["remark"] == "only 3 of 11 cycles of the baseline could be measured"


def test_a_change_is_not_due_before_the_baseline_is_full(tmp_path: Path) -> None:
    row = change(tmp_path, [20.0] * 19)
    assert (row["verdict"], row["due"]) == ("not evaluated", False)
    assert row["remark"] == "the baseline is not full: 19 cycles so far"


def holds(durations: list[float], complete: list[bool]) -> list[dict[str, Any]]:
    """Holds 1 … n of the block ``held``."""
    count = len(durations)
    return rows("holds", count, block="held", hold=list(range(1, count + 1)), duration_s=durations, complete=complete)


def asked(hold: int, creep: float | None, creep_u: float | None = 0.001) -> dict[str, Any]:
    """Creep of a hold after ten minutes."""
    point = {"block": "held", "hold": hold, "kind": "asked", "time_s": 600.0, "creep": creep, "creep_u": creep_u}
    return rows("creep_points", 1, **point)[0]


CREEP = limit("creep", "0.1 deg", block="held", at_time="10 min")


@pytest.mark.parametrize(
    ("durations", "complete", "points", "verdict", "due", "remark"),
    [
        ([1800.0], [True], [asked(1, 0.05)], "pass", True, ""),
        ([1800.0], [True], [asked(1, -0.2)], "fail", True, ""),  # the other way is creep all the same
        ([1800.0], [True], [asked(1, 0.0999)], "inconclusive", True, ""),
        ([1800.0], [True], [asked(1, 0.05, None)], "not evaluated", True,
         "its uncertainty is not known: one value without an uncertainty of its own"),
        ([1800.0], [True], [asked(1, None)], "not evaluated", True, "none of the values could be measured"),
        ([300.0], [True], [], "not evaluated", True, "no hold lasted 600 s"),
        ([300.0], [False], [], "not evaluated", False, "the hold has lasted 300 of 600 s"),
        ([700.0], [False], [asked(1, 0.05)], "pass", True, ""),
        ([1800.0, 300.0], [True, False], [asked(1, 0.05)], "pass", True, ""),
        ([300.0, 1800.0], [True, True], [asked(2, 0.05)], "not evaluated", True,
         "only 1 of 2 could be measured, 99% are asked for"),
    ],
)  # fmt: skip
def test_creep_of_holds_that_ended_broke_off_or_go_on(
    tmp_path: Path, durations: list[float], complete: list[bool], points: list[dict[str, Any]], verdict: str,
    due: bool, remark: str,
) -> None:  # fmt: skip
    run = run_with(tmp_path, CREEP, rig=SURE_RIG)
    (row,) = judge(run, holds=holds(durations, complete), creep_points=points)
    assert (row["verdict"], row["due"], row["remark"]) == (verdict, due, remark)


def test_one_hold_keeps_its_own_uncertainty(tmp_path: Path) -> None:
    (row,) = judge(run_with(tmp_path, CREEP, rig=SURE_RIG), holds=holds([1800.0], [True]),
                   creep_points=[asked(1, 0.05, 0.004)])  # fmt: skip
    assert row["expanded_u"] == pytest.approx(1.959964 * 0.004)


@pytest.mark.parametrize(("complete", "verdict", "due"), [(True, "fail", True), (False, "not evaluated", False)])
def test_a_hold_that_goes_on_is_not_too_short_yet(tmp_path: Path, complete: bool, verdict: str, due: bool) -> None:
    run = run_with(tmp_path, limit("hold_time", "30 min", operator=">=", block="held"))
    (row,) = judge(run, holds=holds([1200.0], [complete]))
    assert (row["verdict"], row["due"]) == (verdict, due)


def test_counts_are_exact_even_when_guarded(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("cycles_done", "40 cycles", operator=">=", statistic="count"))
    (row,) = judge(run, cycles=cycles(40))
    assert (row["verdict"], row["margin"], row["expanded_u"], row["conformance"]) == ("pass", 0.0, 0.0, 1.0)


@pytest.mark.parametrize(
    ("today", "days", "verdict"),
    [(date(2031, 6, 1), 10, "pass"), (date(2031, 6, 11), 0, "pass"), (date(2031, 6, 12), -1, "fail")],
)
def test_a_calibration_is_due_on_its_day(tmp_path: Path, today: date, days: int, verdict: str) -> None:
    run = run_with(tmp_path, limit("days_to_calibration", "0 d", operator=">=", block="run"), rig=DUE)
    (row,) = judge(run, today=today)
    assert (row["measured"], row["verdict"]) == (days * 86_400.0, verdict)


def test_the_guard_of_the_file_is_used(tmp_path: Path) -> None:
    def verdict(sub: str, head: str) -> str:
        run = run_with(tmp_path / sub, limit("peak_load", "80.1 N*m"), head=head)  # 0.3 N*m expanded
        return str(judge(run, cycles=cycles(MANY))[0]["verdict"])

    assert verdict("a", 'decision = "guarded"') == "inconclusive"
    assert verdict("b", 'decision = "guarded"\nguard = 0.2') == "pass"
    assert verdict("c", 'decision = "simple"') == "pass"


def test_each_limit_is_judged_on_every_block_of_its_kind(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("creep_end", "1 deg", block="hold"))
    more = run.plan.block[1].model_copy(update={"name": "held-2"})
    run = type(run)(**{**vars(run), "plan": run.plan.model_copy(update={"block": (*run.plan.block, more)})})
    got = judge(run, holds=rows("holds", 1, block="held-2", hold=1, creep_end=0.2, creep_end_u=0.0))
    assert [(row["block"], row["verdict"]) for row in got] == [("held", "not evaluated"), ("held-2", "pass")]


def test_the_same_inputs_are_not_judged_again_and_the_day_counts_only_where_it_matters(tmp_path: Path) -> None:
    def sequence(run_folder: str, one: str) -> list[int]:
        run = run_with(tmp_path / run_folder, one, rig=DUE)
        judge(run, cycles=cycles(40))
        store = RunStore(run.store, run.name)
        found = [store.manifest().sequence]
        for today in (TODAY, date(2031, 6, 2)):
            found.append(check_run(run, store, store.manifest(), today=today).sequence)
        return found

    assert sequence("a", limit("peak_load", "90 N*m")) == [1, 1, 1]
    assert sequence("b", limit("days_to_calibration", "0 d", operator=">=", block="run")) == [1, 1, 2]


def test_verdicts_are_the_four_words() -> None:
    assert [str(v) for v in Verdict] == ["fail", "inconclusive", "not evaluated", "pass"]


def test_units_of_the_run(tmp_path: Path) -> None:
    assert signal_units(run_with(tmp_path, CREEP).rig) == UNITS


@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_a_leak_that_is_not_told_from_settling_is_not_judged(tmp_path: Path, decision: str) -> None:
    head = f'decision = "{decision}"'
    run = run_with(tmp_path, limit("leak_per_h", "1 deg/h", block="held"), rig=SURE_RIG, head=head)
    hold = {"block": "held", "hold": 1, "leak_per_h": 0.01, "leak_u_per_h": 0.0}
    (row,) = judge(run, holds=rows("holds", 1, **hold, kind="undecided"))
    assert (row["verdict"], row["due"]) == ("not evaluated", True)
    assert row["remark"] == "leak and settling cannot be separated"
    (row,) = judge(run, holds=rows("holds", 1, **hold, kind="settling"))
    assert row["verdict"] == "pass"


def test_a_hold_in_which_the_log_breaks_off_is_not_too_short(tmp_path: Path) -> None:
    run = run_with(tmp_path, limit("hold_time", "30 min", operator=">=", block="held"))
    (row,) = judge(run, holds=holds([600.0, 900.0], [False, True]))  # the second is shorter, and ended by the load
    assert row["verdict"] != "pass"
    (row,) = judge(run, holds=holds([600.0, 900.0], [False, False]))
    assert (row["verdict"], row["due"]) == ("not evaluated", True)
    assert "the log breaks off" in row["remark"]
