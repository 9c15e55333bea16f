"""Limits on slope, step and cycles left: what drift does not know is no pass (invented rows)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchpipe.blocks.left_out import LogClock
from benchpipe.check import drift_limits
from benchpipe.check.case import Case, Judged
from benchpipe.check.drift_limits import judge_drift
from benchpipe.check.measures import our_measures
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.errors import ConfigError
from benchpipe.pipeline import work
from benchpipe.run import load_run
from tests.drift.test_drift_step import CYCLES, made

NOW = 1_000_000
STEADY = {
    "measure": "energy_j", "phase": "steady", "first": 1, "last": NOW, "slope_per_million": 0.01, "slope_low": 0.006,
    "slope_high": 0.014, "coefficient_per_k": -0.003, "step_seen": None,
}  # fmt: skip
SINCE = STEADY | {"phase": "since baseline", "step_seen": 0.008}
STEP = {"measure": "energy_j", "kind": "step", "found": "online", "cycle": 5000, "size": -0.03, "low": -0.034,
        "high": -0.026}  # fmt: skip
AHEAD = {"measure": "energy_j", "limit": -0.1, "crossed": False, "low": 1.2e6, "cycle": 1.5e6, "high": 2.2e6,
         "remark": ""}  # fmt: skip


class Stub:
    """Tables of one block."""

    def __init__(self, rows: dict[str, list[dict[str, Any]]]) -> None:
        self.rows = rows

    def block(self, table: str, block: str) -> Any:
        class Rows:
            to_pylist = staticmethod(lambda: self.rows.get(table, []))

        return Rows


def judged(
    monkeypatch: pytest.MonkeyPatch, statistic: str, operator: str, value: str | list[str], over: bool = False,
    decision: str = "guarded", **rows: list[dict[str, Any]],
) -> Judged:  # fmt: skip
    monkeypatch.setattr(drift_limits, "last_cycle", lambda *_: NOW)
    monkeypatch.setattr(drift_limits, "_over", lambda _: over)
    limit = LimitConfig.model_validate(
        {"name": "x", "block": "main", "measure": "energy_j", "statistic": statistic, "operator": operator,
         ("value" if isinstance(value, str) else "between"): value, "source": "invented", "decision": decision},
        context="file",
    )  # fmt: skip
    limits = LimitsConfig(name="own", basis="invented", limit=(limit,))

    class Block:
        name, drafted = "main", ()

    case = Case(limit, limits, our_measures()["energy_j"], None, Block(), Stub(rows), None, LogClock(1.0, (), False))  # type: ignore[arg-type]
    return judge_drift(case)


@pytest.mark.parametrize(
    ("value", "verdict"), [("2 %", "pass"), ("1.2 %", "inconclusive"), ("0.8 %", "inconclusive"), ("0.5 %", "fail")]
)
def test_a_slope_is_judged_with_its_interval(monkeypatch: pytest.MonkeyPatch, value: str, verdict: str) -> None:
    assert judged(monkeypatch, "slope", "<=", value, phases=[STEADY, SINCE]).verdict == verdict


def test_the_phase_with_the_least_room_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    worn = STEADY | {"phase": "wear-out", "slope_per_million": 0.09, "slope_low": 0.08, "slope_high": 0.1}
    found = judged(monkeypatch, "slope", "<=", "5 %", phases=[STEADY, worn])
    assert (found.verdict, found.value) == ("fail", 0.09)
    assert judged(monkeypatch, "slope", ">=", "-5 %", phases=[worn, STEADY]).value == 0.01
    blind = worn | {"slope_low": None}
    assert judged(monkeypatch, "slope", "<=", "5 %", phases=[STEADY, blind]).verdict == "not evaluated"


@pytest.mark.parametrize("value", ["2 %", "0.5 %"])
def test_a_slope_that_may_be_warmth_makes_no_verdict(monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    found = judged(monkeypatch, "slope", "<=", value, phases=[STEADY | {"coefficient_per_k": None}])
    assert found.verdict == "inconclusive"
    assert "not separable from warmth" in found.remark


@pytest.mark.parametrize("over", [False, True])
@pytest.mark.parametrize("statistic", ["slope", "step"])
def test_without_an_analysis_nothing_passes(monkeypatch: pytest.MonkeyPatch, statistic: str, *, over: bool) -> None:
    found = judged(monkeypatch, statistic, "<=", "50 %", over)
    assert (found.verdict, found.due, found.value) == ("not evaluated", over, None)
    run_in = [STEADY | {"phase": "run-in"}]
    assert judged(monkeypatch, "slope", "<=", "50 %", over, phases=run_in).verdict == "not evaluated"


@pytest.mark.parametrize(
    ("value", "events", "verdict"),
    [
        ("5 %", [STEP], "pass"),
        ("3.2 %", [STEP], "inconclusive"),
        ("2 %", [STEP], "fail"),
        ("2 %", [STEP | {"found": "log", "kind": "exchange"}], "pass"),
        ("2 %", [STEP | {"kind": "scatter"}], "pass"),
        ("2 %", [STEP | {"found": "offline", "low": None, "high": None}], "inconclusive"),
        ("2 %", [], "pass"),
        ("0.5 %", [], "inconclusive"),
        ("0.5 %", [STEP | {"size": 0.001, "low": 0.0008, "high": 0.0012}], "inconclusive"),
    ],
)
def test_a_step_passes_only_where_it_would_have_been_seen(
    monkeypatch: pytest.MonkeyPatch, value: str, events: list[dict[str, Any]], verdict: str
) -> None:
    assert judged(monkeypatch, "step", "<=", value, phases=[SINCE], events=events).verdict == verdict


def test_where_no_step_would_be_seen_none_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    blind = SINCE | {"step_seen": None}
    assert judged(monkeypatch, "step", "<=", "50 %", phases=[blind]).verdict == "inconclusive"
    assert judged(monkeypatch, "step", "<=", "50 %", phases=[blind], events=[STEP]).verdict == "inconclusive"
    assert judged(monkeypatch, "step", "<=", "2 %", phases=[blind], events=[STEP]).verdict == "fail"


INF = float("inf")


@pytest.mark.parametrize(
    ("value", "change", "verdict"),
    [
        ("100000 cycles", {}, "pass"),
        ("190000 cycles", {}, "inconclusive"),  # below the lower end at 95 %, not at the rule's 97.7 %
        ("400000 cycles", {}, "inconclusive"),
        ("1300000 cycles", {}, "inconclusive"),
        ("1500000 cycles", {}, "fail"),
        ("1500000 cycles", {"high": INF}, "inconclusive"),
        ("80000 cycles", {"high": INF, "cycle": INF}, "pass"),
        ("400000 cycles", {"high": INF, "cycle": INF}, "inconclusive"),
        ("400000 cycles", {"high": INF, "cycle": INF, "low": INF}, "pass"),
        ("20000000 cycles", {"high": INF, "cycle": INF, "low": INF}, "inconclusive"),
        ("100000 cycles", {"crossed": True, "low": 1e6, "cycle": 1e6, "high": 1e6}, "fail"),
        ("100000 cycles", {"crossed": True, "low": 1e6, "cycle": 1e6, "high": 1.2e6}, "inconclusive"),
        ("100000 cycles", {"low": None, "cycle": None, "high": None, "remark": "no baseline"}, "not evaluated"),
    ],
)
def test_cycles_left_pass_by_the_lower_end_and_fail_by_the_upper(
    monkeypatch: pytest.MonkeyPatch, value: str, change: dict[str, Any], verdict: str
) -> None:
    found = judged(monkeypatch, "cycles_left", ">=", value, forecasts=[AHEAD | change])
    assert found.verdict == verdict
    assert found.value is None or found.value >= 0.0


def test_the_first_limit_to_be_crossed_counts_and_an_unknown_one_hides_it(monkeypatch: pytest.MonkeyPatch) -> None:
    late = AHEAD | {"low": 5e6, "cycle": 6e6, "high": 8e6}
    unknown = AHEAD | {"low": None, "cycle": None, "high": None, "remark": "12 usable bins, 40 are needed"}
    assert judged(monkeypatch, "cycles_left", ">=", "400000 cycles", forecasts=[late]).verdict == "pass"
    assert judged(monkeypatch, "cycles_left", ">=", "400000 cycles", forecasts=[late, AHEAD]).verdict == "inconclusive"
    found = judged(monkeypatch, "cycles_left", ">=", "400000 cycles", forecasts=[late, unknown])
    assert (found.verdict, found.remark) == ("not evaluated", "12 usable bins, 40 are needed")
    assert judged(monkeypatch, "cycles_left", ">=", "1 cycles").verdict == "not evaluated"


def test_between_two_limits_the_phase_nearer_to_one_of_them_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    # 0.04 is 0.05 below the upper end and -0.02 is 0.07 above the lower one; with its interval the second is nearer.
    first = STEADY | {"slope_per_million": 0.04, "slope_low": 0.039, "slope_high": 0.041}
    second = STEADY | {"phase": "wear-out", "slope_per_million": -0.02, "slope_low": -0.06, "slope_high": 0.02}
    rows = [first, second]
    assert judged(monkeypatch, "slope", "within", ["-9 %", "9 %"], phases=rows).value == -0.02
    wide = first | {"slope_high": 0.085, "slope_low": 0.0}
    assert judged(monkeypatch, "slope", "within", ["-9 %", "9 %"], phases=[wide, second]).value == 0.04


def test_what_a_verdict_on_drift_is_made_of_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    from_tables = "from the interval in the tables of drift"
    found = judged(monkeypatch, "slope", "<=", "2 %", phases=[STEADY])
    (part,) = found.figure.budget.parts
    assert (part.name, part.note, found.remark) == ("slope", from_tables, "a million cycles, phase 'steady'")
    assert part.u == pytest.approx((0.014 - 0.006) / 2 / 1.96, rel=1e-3)
    step = judged(monkeypatch, "step", "<=", "5 %", phases=[SINCE], events=[STEP])
    (part,) = step.figure.budget.parts
    assert (part.name, part.note) == ("size of the step", from_tables)
    assert (step.remark, step.at, step.value) == ("step at cycle 5,000", "cycle 5,000", 0.03)
    none = judged(monkeypatch, "step", "<=", "5 %", phases=[SINCE])
    assert (none.remark, none.at, none.value, none.guards.above) == ("no step was found", "", 0.0, 0.008)
    offline = [STEP | {"found": "offline", "low": None, "high": None}]
    hidden = judged(monkeypatch, "step", "<=", "2 %", phases=[SINCE], events=offline)
    assert hidden.remark == "the search over the whole history has a larger one"
    assert "steps below 0.8 % would not be seen" in judged(monkeypatch, "step", "<=", "0.5 %", phases=[SINCE]).remark
    left = judged(monkeypatch, "cycles_left", ">=", "100000 cycles", forecasts=[AHEAD])
    assert (left.figure.budget.parts[0].name, left.remark) == ("forecast", "to the forecast crossing of its limit")
    assert (left.value, left.bound) == (5e5, "")
    # An end of 95 % becomes one of the rule's 97.7 %: ratios of the cycles left, 2 for 1.645 standard deviations.
    assert left.guards.below == pytest.approx(5e5 - 5e5 * (2e5 / 5e5) ** (2.0 / 1.645), rel=2e-3)
    assert left.guards.above == pytest.approx(5e5 * (1.2e6 / 5e5) ** (2.0 / 1.645) - 5e5, rel=2e-3)


def test_a_rule_without_guards_takes_drift_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    left = judged(monkeypatch, "cycles_left", ">=", "400000 cycles", decision="simple", forecasts=[AHEAD])
    slope = judged(monkeypatch, "slope", "<=", "1.2 %", decision="simple", phases=[STEADY])
    step = judged(monkeypatch, "step", "<=", "3.2 %", decision="simple", phases=[SINCE], events=[STEP])
    none = judged(monkeypatch, "step", "<=", "3.2 %", decision="simple", phases=[SINCE])
    for found in (left, slope, step, none):
        assert (found.verdict, found.guards) == ("pass", (0.0, 0.0))


@pytest.mark.parametrize(
    ("value", "end", "expected"), [(0.0, 0.0, 0.0), (0.0, 5.0, 5.0), (0.5, 0.0, 0.0), (4.0, 1.0, 0.25), (0.5, 2.0, 8.0)]
)
def test_an_end_of_cycles_left_widens_as_a_ratio(value: float, end: float, expected: float) -> None:
    assert drift_limits._beyond(value, end, 2.0) == pytest.approx(expected)
    assert drift_limits._beyond(value, end, 0.0) == value


LIMITS = 'name = "own"\nbasis = "invented"\n'
LIMIT = """[[limit]]
name = "{0}"
block = "cyclic"
measure = "{1}"
statistic = "{2}"
operator = "{3}"
value = "{4}"
source = "invented"
"""


def limited(folder: Path, *limits: tuple[str, ...], cycles: int = 10) -> Path:
    made(folder, cycles)
    text = LIMITS + "".join(LIMIT.format(*one) for one in limits)
    (folder / "limits.toml").write_text(text, encoding="utf-8")
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace("limits = []", 'limits = ["limits.toml"]'), "utf-8")
    return plan


@pytest.mark.parametrize(
    ("limit", "why"),
    [
        (("a", "temperature_c", "slope", "<=", "1 %"), "drift is watched, which temperature_c is not"),
        (("a", "energy_j", "step", ">=", "1 %"), "'step' goes with <="),
        (("a", "energy_j", "step", "<=", "1 J"), "value is in"),
        (("a", "energy_j", "cycles_left", ">=", "9 cycles"), "no other limit of energy_j can be forecast"),
    ],
)
def test_limits_that_do_not_fit_are_refused(tmp_path: Path, limit: tuple[str, ...], why: str) -> None:
    from benchpipe.check.validate_limits import limits_fit

    with pytest.raises(ConfigError, match=why):
        limits_fit(load_run(limited(tmp_path, limit), tmp_path / "store"))


def test_a_run_is_judged_on_its_drift(tmp_path: Path) -> None:
    """The run has a step of 2.9 % of its stiffness, and a temperature that goes there and back."""
    plan = limited(
        tmp_path,
        ("large step", "secant_stiffness", "step", "<=", "2 %"),
        ("huge step", "secant_stiffness", "step", "<=", "5 %"),
        ("no step", "load_range", "step", "<=", "5 %"),
        ("slope", "secant_stiffness", "slope", ">=", "-500 %"),
        ("level", "secant_stiffness", "median", ">=", "60 N/mm"),
        ("left", "secant_stiffness", "cycles_left", ">=", "1000 cycles"),
        cycles=CYCLES,
    )
    run = load_run(plan, tmp_path / "store")
    store = run.open_store()
    manifest = work(run).manifest
    rows = {row["limit"]: row for row in store.read(manifest, "verdicts").to_pylist()}
    assert {name: row["verdict"] for name, row in rows.items() if name != "level"} == {
        "large step": "fail", "huge step": "pass", "no step": "pass", "slope": "pass", "left": "pass",
    }  # fmt: skip
    assert rows["large step"]["measured"] == pytest.approx(0.029, abs=0.002)
    (ahead,) = store.read(manifest, "forecasts").to_pylist()
    assert (ahead["limit_value"], ahead["unit"]) == (60.0, "N/mm")
    # 79.5 N/mm less the run-in of 2 %, at the mean temperature: 60 is 24 % below it
    assert ahead["limit"] == pytest.approx(-0.24, abs=0.02)
