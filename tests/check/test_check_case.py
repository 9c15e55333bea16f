"""The rule and the window of a limit: its own keys before those of its file (invented)."""

from __future__ import annotations

from math import inf, nan
from typing import Any

import pytest

from benchpipe.check.case import Case, Judged, rule_of, window_of_limit
from benchpipe.check.decision import Verdict
from benchpipe.check.figure import JudgedFigure
from benchpipe.check.measures import our_measures
from benchpipe.check.rules import Guards, Window, accepted_risk, guard_of_expanded, guard_of_u, simple_acceptance
from benchpipe.config.limits import LimitConfig, LimitsConfig


def one(**keys: Any) -> LimitConfig:
    plain = {"name": "peak", "block": "durability", "measure": "peak_load", "operator": "<=", "source": "invented"}
    value = {} if "between" in keys else {"value": "90 N*m"}
    return LimitConfig.model_validate(plain | value | keys, context="file")


def file(limit: LimitConfig, **keys: Any) -> LimitsConfig:
    return LimitsConfig.model_validate({"name": "own", "basis": "invented", "limit": (limit,)} | keys, context="file")


def test_a_limit_has_its_own_rule_and_else_that_of_its_file() -> None:
    assert rule_of(one(), file(one())) == guard_of_u(2.0)
    assert rule_of(one(), file(one(), guard=3.0)) == guard_of_u(3.0)
    assert rule_of(one(), file(one(), guard=1.5, guard_of="U")) == guard_of_expanded(1.5)
    assert rule_of(one(guard_of="u"), file(one(), guard=1.5, guard_of="U")) == guard_of_u(1.5)
    assert rule_of(one(), file(one(), decision="simple")) == simple_acceptance()
    assert rule_of(one(decision="guarded"), file(one(), decision="simple")) == guard_of_u(2.0)
    assert rule_of(one(), file(one(), decision="risk", risk="5 %")) == accepted_risk(0.05)
    assert rule_of(one(risk="1 %"), file(one(), decision="risk", risk="5 %")) == accepted_risk(0.01)


@pytest.mark.parametrize("statistic", ["count", "share"])
@pytest.mark.parametrize("decision", ["guarded", "risk", "simple"])
def test_what_is_counted_needs_no_guard(statistic: str, decision: str) -> None:
    limit = one(statistic=statistic)
    assert rule_of(limit, file(limit, decision=decision, risk="5 %")) == simple_acceptance()


def test_a_value_at_its_limit_is_inside() -> None:
    assert window_of_limit(one()) == Window(-inf, 90.0)
    assert window_of_limit(one(operator=">=")) == Window(90.0, inf)
    assert window_of_limit(one(operator="within", between=("5 N*m", "90 N*m"))) == Window(5.0, 90.0)
    assert window_of_limit(one(value="0 N*m")) == Window(-inf, 0.0)
    assert window_of_limit(one(value="0 N*m", operator=">=")) == Window(0.0, inf)


def test_a_case_hands_on_what_its_values_are_taken_from() -> None:
    limit = one()
    made: Any = ("rig", "block", "tables", "noises", "clock")
    case = Case(limit, file(limit), our_measures()["peak_load"], *made, others=("others",))  # type: ignore[arg-type]
    asked = case.asked("'a' before it is under way")
    got = (asked.limit, asked.measure, asked.block, asked.tables, asked.clock, asked.waits, asked.others)
    assert got == (limit, case.measure, "block", "tables", "clock", "'a' before it is under way", ("others",))
    assert case.asked().waits == ""
    assert (case.rule, case.window) == (guard_of_u(2.0), Window(-inf, 90.0))


def test_a_value_that_is_not_a_number_is_none() -> None:
    def value(of: float) -> float | None:
        return Judged(Verdict.PASS, JudgedFigure(of), Guards(0.0, 0.0), simple_acceptance(), Window(high=1.0)).value

    assert [value(of) for of in (0.0, -2.5, nan, inf, -inf)] == [0.0, -2.5, None, None, None]
