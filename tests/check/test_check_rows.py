"""Rows of the tables of verdicts and budgets, column by column (invented figures)."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan
from typing import Any

import pytest
from scipy.special import stdtr

from benchpipe.blocks.left_out import LeftOut
from benchpipe.check.budget import Budget, BudgetPart
from benchpipe.check.case import Judged
from benchpipe.check.decision import Verdict
from benchpipe.check.figure import JudgedFigure
from benchpipe.check.rows import budget_rows, verdict_row
from benchpipe.check.rules import Guards, Window, guard_of_u
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.kernels.risk import global_risks, normal_prior
from benchpipe.tables import columns
from tests.check.test_check_case import file, one

BUDGET = Budget((BudgetPart("certificate", 0.3), BudgetPart("scatter", 0.4, 8.0, "A", "9 values")))
FIGURE = JudgedFigure(88.0, BUDGET, raw=87.5, correction=0.5, correction_u=0.1)
JUDGED = Judged(
    Verdict.PASS, FIGURE, Guards(1.0, 1.5), guard_of_u(2.0), Window(5.0, 90.0), first=3, last=9, used=6, of=7,
    left_out=(LeftOut("saturated", 1, "cycle 4"),), due=False, remark="why", at="cycle 5", bound="at least",
)  # fmt: skip
WITHIN = one(operator="within", between=("5 N*m", "90 N*m"), verified_by="A. Tester")


def row(judged: Judged = JUDGED, limit: LimitConfig = WITHIN, limits: LimitsConfig | None = None) -> dict[str, Any]:
    return verdict_row(limit, limits or file(limit), "durability", "N*m", judged)


def test_a_verdict_has_each_of_its_columns() -> None:
    found = row()
    assert found == {
        "limit": "peak", "limits_file": "own", "block": "durability", "measure": "peak_load", "statistic": "median",
        "first": 3, "last": 9, "used": 6, "of": 7, "left_out": "1 saturated (first: cycle 4)", "measured": 88.0,
        "bound": "at least", "at": "cycle 5", "standard_u": pytest.approx(0.5), "dof": pytest.approx(8.0 / 0.64**2),
        "expanded_u": FIGURE.expanded_u("median"), "operator": "within", "value": 90.0, "other_value": 5.0,
        "unit": "N*m", "margin": 2.0, "guard": 1.5, "conformance": pytest.approx(stdtr(8.0 / 0.64**2, 4.0)),
        "consumer_risk": None, "producer_risk": None, "risk": guard_of_u(2.0).risk, "rule": guard_of_u(2.0).text,
        "verdict": "pass", "due": False, "remark": "why", "not_corrected": 87.5, "correction": 0.5,
        "correction_u": 0.1, "source": "invented", "verified": True, "verified_by": "A. Tester",
    }  # fmt: skip
    assert set(found) == set(columns("verdicts"))


def test_a_figure_that_is_not_there_has_no_uncertainty_and_no_margin() -> None:
    found = row(replace(JUDGED, figure=JudgedFigure(nan, BUDGET), guards=Guards(nan, nan)))
    names = ("measured", "standard_u", "dof", "expanded_u", "margin", "guard", "conformance", "not_corrected")
    assert {found[name] for name in (*names, "correction", "correction_u")} == {None}
    assert (found["value"], found["other_value"]) == (5.0, 90.0)


def test_an_uncertainty_that_is_not_known_is_none_and_the_margin_is_there_all_the_same() -> None:
    found = row(replace(JUDGED, figure=JudgedFigure(88.0, Budget((BudgetPart("scatter", nan),)))))
    assert (found["measured"], found["margin"]) == (88.0, 2.0)
    assert {found[name] for name in ("standard_u", "dof", "expanded_u", "conformance")} == {None}
    exact = row(replace(JUDGED, figure=JudgedFigure(88.0, Budget((BudgetPart("certificate", 0.25),)))))
    assert (exact["standard_u"], exact["dof"]) == (0.25, None)  # any number of degrees of freedom


@pytest.mark.parametrize("statistic", ["count", "share"])
def test_a_count_is_exact_whatever_its_budget(statistic: str) -> None:
    limit = one(statistic=statistic)
    found = row(replace(JUDGED, window=Window(high=90.0)), limit)
    assert (found["standard_u"], found["expanded_u"], found["dof"], found["conformance"]) == (0.0, 0.0, None, 1.0)
    assert (found["value"], found["other_value"], found["operator"]) == (90.0, None, "<=")


def test_of_a_window_the_end_is_shown_that_the_value_is_nearer_to() -> None:
    for value, near, far in ((6.0, 5.0, 90.0), (89.0, 90.0, 5.0), (-9.0, 5.0, 90.0), (99.0, 90.0, 5.0)):
        found = row(replace(JUDGED, figure=JudgedFigure(value, BUDGET)))
        assert (found["value"], found["other_value"]) == (near, far)
        assert found["margin"] == pytest.approx(min(value - 5.0, 90.0 - value))


def test_the_probability_of_an_extreme_is_not_given() -> None:
    readings: Any = object()

    class Extreme(JudgedFigure):
        def expanded_u(self, statistic: str) -> float:
            return {"median": 0.7}[statistic]

    extreme = Extreme(88.0, BUDGET, readings=readings)
    found = row(replace(JUDGED, figure=extreme))
    assert (found["conformance"], found["expanded_u"]) == (None, 0.7)


PRIOR = {"mean": "80 N*m", "sd": "4 N*m", "source": "earlier specimens"}


def test_with_a_prior_both_risks_are_those_of_the_guards() -> None:
    limit = one(operator="within", between=("5 N*m", "90 N*m"), prior=PRIOR)
    expected = global_risks(*normal_prior(80.0, 4.0), 0.5, (5.0, 90.0), (6.5, 89.0))
    found = row(limit=limit)
    assert (found["consumer_risk"], found["producer_risk"]) == (expected.consumer, expected.producer)
    assert 0.0 < expected.consumer < expected.producer < 0.1
    for judged in (
        replace(JUDGED, guards=Guards(nan, 1.0)),
        replace(JUDGED, figure=JudgedFigure(88.0, Budget((BudgetPart("scatter", 0.0),)))),
        replace(JUDGED, figure=JudgedFigure(88.0, Budget((BudgetPart("scatter", nan),)))),
    ):
        found = row(judged, limit)
        assert (found["consumer_risk"], found["producer_risk"]) == (None, None)


def test_parts_of_a_budget_are_rows_the_largest_first() -> None:
    unknown = Budget((BudgetPart("a", 0.1), BudgetPart("b", nan, note="not stated"), BudgetPart("c", 0.3, 4.0, "A")))
    judged = replace(JUDGED, figure=JudgedFigure(1.0, unknown))
    found = list(budget_rows(WITHIN, file(WITHIN), "durability", "N*m", judged))
    assert [(one["part"], one["standard_u"], one["share"]) for one in found] == [
        ("b", None, None), ("c", 0.3, None), ("a", 0.1, None)
    ]  # fmt: skip
    first, second = budget_rows(WITHIN, file(WITHIN), "durability", "N*m", JUDGED)
    plain = {"limit": "peak", "limits_file": "own", "block": "durability", "unit": "N*m"}
    assert first == plain | {"part": "scatter", "kind": "A", "standard_u": 0.4, "dof": 8.0,
                             "share": pytest.approx(0.64), "note": "9 values"}  # fmt: skip
    assert second == plain | {"part": "certificate", "kind": "B", "standard_u": 0.3, "dof": None,
                              "share": pytest.approx(0.36), "note": ""}  # fmt: skip
    assert set(first) == set(columns("budgets"))
    assert BUDGET.parts[0].dof == inf
