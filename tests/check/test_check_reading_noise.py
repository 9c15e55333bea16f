"""The noise of one overload among few readings: it breaks a limit, and makes no pass easier (invented figures)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.check.budget import BudgetPart
from benchpipe.check.figure import JudgedFigure, figure_of_values
from benchpipe.check.measures import our_measures
from benchpipe.check.reading_noise import READING, hidden_scatter, scatter_of, scatter_of_others
from benchpipe.kernels.risk import student_guard
from benchpipe.kernels.window_noise import fit_block_noise
from tests.benchmarks.verdicts import RIG, RULE, Drawn, limit, window
from tests.check.judged import SURE_RIG, cycles, judge, run_with
from tests.check.judged import limit as written

FEW = [80.0, 80.1, 79.9, 80.0, 80.05, 95.0]


def figure(values: np.ndarray, statistic: str = "max", operator: str = "<=") -> JudgedFigure:
    tables: Any = Drawn(fit_block_noise(values))
    how = limit("energy_j", statistic, operator)
    return figure_of_values(how, our_measures()["energy_j"], RIG, window(values, 0), tables)


@pytest.mark.parametrize(("asked", "verdict"), [("85 N*m", "fail"), ("120 N*m", "inconclusive"), ("250 N*m", "pass")])
def test_one_overload_of_six_cycles_breaks_a_limit_and_passes_none(tmp_path: Path, asked: str, verdict: str) -> None:
    run = run_with(tmp_path / "run", written("peak_load", asked, statistic="max"), rig=SURE_RIG)
    (row,) = judge(run, cycles=cycles(6, peak_load=FEW))
    assert row["verdict"] == verdict
    assert row["expanded_u"] == pytest.approx(0.36, abs=0.01)  # whatever the limit: t4(0.975/6) times 0.075
    assert ("slow noise" in row["remark"]) == (verdict == "inconclusive")


def test_the_smallest_is_judged_as_the_largest_and_any_other_limit_as_before() -> None:
    values = np.array(FEW)
    high, low = figure(values), figure(200.0 - values, "min", ">=")
    assert low.expanded_u("min") == pytest.approx(high.expanded_u("max"))
    assert low.guards(RULE, "min") == pytest.approx(high.guards(RULE, "max")[::-1])
    asked = figure(values, "max", ">=")  # one cycle that reaches it is enough: the overload must not prove it
    assert asked.others is None
    assert min(asked.guards(RULE, "max")) > 10.0


def test_the_budget_has_the_noise_that_the_uncertainty_is_made_of() -> None:
    found = figure(np.array(FEW))
    (reading,) = (part for part in found.budget.parts if part.name == READING)
    assert reading.u == pytest.approx(np.std(FEW[:-1], ddof=1))
    assert (reading.dof, reading.kind, reading.note) == (4.0, "A", "scatter of the other 5")


def test_two_readings_show_a_scatter_and_one_shows_none() -> None:
    assert scatter_of(np.array([1.0])) is None
    assert scatter_of(np.array([1.0, 3.0])) == BudgetPart(READING, np.sqrt(2.0), 1.0, "A", "scatter of 2")
    many = scatter_of(np.arange(1_200.0), "all")
    assert many is not None
    assert many.note == "scatter of all 1,200"
    assert scatter_of_others(np.array([1.0, 3.0]), 1, ()) is None


def test_readings_that_show_the_same_digit_may_scatter_by_it() -> None:
    stated = (
        BudgetPart("resolution of 'torque'", 0.03), BudgetPart("resolution of 'angle'", 0.04),
        BudgetPart("calibration of 'torque'", 9.0),
    )  # fmt: skip
    same = np.array([7.0, 7.0, 7.0, 9.0])
    found = scatter_of_others(same, 3, stated)
    assert found is not None
    assert found.u == pytest.approx(2.0 * 0.05)
    assert (found.name, found.dof, found.kind, found.note) == (READING, 2.0, "A", "scatter of the other 3")
    assert scatter_of_others(same, 3, ()) == BudgetPart(READING, 0.0, 2.0, "A", "scatter of the other 3")
    wide = scatter_of_others(np.array([6.0, 7.0, 8.0, 90.0]), 3, stated)
    assert wide is not None
    assert wide.u == pytest.approx(1.0)


@pytest.mark.parametrize("n", [2, 3, 5, 6, 7, 10])
def test_a_pass_asks_for_the_scatter_of_all_and_a_fail_is_false_in_few(n: int) -> None:
    """600 draws at the limit, in half of them one cycle is truly higher: 2.3 % may fail."""
    rng = np.random.default_rng(n)
    failed = 0
    for k in range(600):
        values = 100.0 + rng.standard_normal(n)
        if k % 2:
            values[np.arange(n) != k % n] -= 15.0
        found = figure(values)
        guards = found.guards(RULE, "max")
        scatter = hidden_scatter(n) * np.std(values, ddof=1)
        assert guards.above == pytest.approx(student_guard(RULE.risk, n - 1.0) * scatter)
        failed += found.value - guards.below > 100.0
    assert failed <= 24  # 600 times 2.3 % and three standard deviations


@pytest.mark.parametrize("n", [2, 3, 5, 10, 30])
@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9, 0.99])
def test_slow_noise_that_a_short_block_does_not_show_passes_no_item_at_its_limit(n: int, rho: float) -> None:
    """2,000 draws of AR(1) noise about the limit itself: 2.3 % may pass, and three standard deviations more."""
    noise = np.random.default_rng([n, int(100 * rho)]).standard_normal((2000, n))
    for k in range(1, n):
        noise[:, k] = rho * noise[:, k - 1] + np.sqrt(1.0 - rho**2) * noise[:, k]
    u = hidden_scatter(n) * np.std(noise, axis=1, ddof=1)
    passed = noise.max(axis=1) + student_guard(RULE.risk, n - 1.0) * u <= 0.0
    assert passed.mean() <= 0.033
