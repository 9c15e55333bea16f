"""Decision rules: what they promise, that nothing unknown passes, and the figure's own precision."""

from __future__ import annotations

from math import inf, isnan, nan, nextafter

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import t as student

from benchpipe.check.budget import RISK, Budget, BudgetPart
from benchpipe.check.decision import RANK, Verdict
from benchpipe.check.rules import (
    Guards,
    Rule,
    Window,
    acceptance,
    accepted_risk,
    allowed_exceptions,
    decide,
    decide_exceptions,
    false_passes_together,
    figure_of,
    guard_of_expanded,
    guard_of_u,
    margin_of,
    margin_within,
    simple_acceptance,
)

FINITE = st.floats(-1e9, 1e9)
WIDTH = st.floats(0.0, 1e6)
GUARDS = st.builds(Guards, WIDTH, WIDTH)
OPERATOR = st.sampled_from(["<=", ">="])
NOT_A_NUMBER = [None, nan, inf, -inf]
SINGLE = st.floats(-1e6, 1e6, width=32)


@st.composite
def windows(draw: st.DrawFn) -> Window:
    """One limit or two."""
    low, high = sorted((draw(FINITE), draw(FINITE)))
    return draw(st.sampled_from([Window(low, high), Window(low=low), Window(high=high)]))


def goodness(value: float, window: Window) -> float:
    """How far inside, without the code under test."""
    return min(value - window.low, window.high - value)


# --- certified: what a guard band promises ------------------------------------------------------------------


# ILAC-G8:09/2019, Table 1 [from memory]: guard band in U = 2 u, and the largest false acceptance it prints.
@pytest.mark.parametrize(("factor", "printed"), [(3.0, 1e-6), (1.5, 0.0016), (1.0, 0.025), (0.83, 0.05), (0.0, 0.5)])
def test_guard_factors_of_ilac_g8(factor: float, printed: float) -> None:
    risk = guard_of_expanded(factor).risk
    assert risk <= printed
    assert risk >= 0.8 * printed or factor == 3.0  # 3 U: "< 1 ppm" is far below


def test_default_of_iso_14253_1() -> None:
    # ISO 14253-1:2017: a conformance probability of 95 % by default, a guard band of 1.65 u [from memory].
    assert guard_of_u(1.65).risk == pytest.approx(0.05, abs=1e-3)
    assert accepted_risk(0.05).guard(Budget((BudgetPart("x", 2.0),)), few=False) == pytest.approx(1.645 * 2.0, rel=1e-3)


def test_rules_say_what_they_promise() -> None:
    assert simple_acceptance().text == "simple acceptance, no guard band: an item at the limit passes with 50 %"
    assert guard_of_u(2.0).text == "guard band of 2 u: an item at the limit passes with at most 2.3 %"
    assert guard_of_expanded(1.0).text == "guard band of 1 U: an item at the limit passes with at most 2.3 %"
    assert guard_of_u(1.65).text == "guard band of 1.65 u: an item at the limit passes with at most 5 %"
    assert accepted_risk(0.001).text == "accepted risk of 0.1 %: an item at the limit passes with at most 0.1 %"


def test_few_degrees_of_freedom_widen_the_band() -> None:
    # Student's factor t(0.97725, ν) for ν = 1, 2, 3, 5, 10, 30: 13.97, 4.53, 3.31, 2.65, 2.28, 2.09 (a study's table).
    for dof, factor in [(1, 13.97), (2, 4.53), (3, 3.31), (5, 2.65), (10, 2.28), (30, 2.09)]:
        budget = Budget((BudgetPart("x", 1.0, dof, "A"),))
        assert guard_of_u(2.0).guard(budget, few=True) == pytest.approx(factor, abs=5.1e-3)
        assert guard_of_u(2.0).guard(budget, few=False) == pytest.approx(factor, abs=5.1e-3)


def test_the_scatter_of_few_values_is_expanded_with_its_own_factor() -> None:
    # t(0.97725, 2) = 4.53 and Φ⁻¹(0.97725) = 2: few values, their parts apart; else Welch-Satterthwaite's 8 degrees
    budget = Budget((BudgetPart("scatter", 1.0, 2, "A"), BudgetPart("certificate", 1.0)))
    assert guard_of_u(2.0).guard(budget, few=True) == pytest.approx(np.hypot(4.53, 2.0), abs=5e-3)
    assert guard_of_u(2.0).guard(budget, few=False) == pytest.approx(np.sqrt(2.0) * student.isf(RISK, 8), rel=1e-6)


def test_a_guarded_rule_needs_a_budget() -> None:
    unknown = Budget((BudgetPart("x", nan),))
    for budget in (None, unknown, Budget(())):
        assert isnan(guard_of_u(2.0).guard(budget, few=False))
        assert decide(0.0, guard_of_u(2.0).guard(budget, few=False), Window(high=9.0)) is Verdict.NOT_EVALUATED
        assert simple_acceptance().guard(budget, few=False) == 0.0


@pytest.mark.parametrize("risk", [0.0, -0.1, 0.51, nan])
def test_an_impossible_risk_is_a_mistake(risk: float) -> None:
    with pytest.raises(ValueError, match="risk"):
        Rule("x", risk)


@pytest.mark.parametrize("rule", [guard_of_u(2.0), guard_of_u(1.65), accepted_risk(0.01), simple_acceptance()])
def test_an_item_at_the_limit_passes_with_the_promised_share(rule: Rule) -> None:
    read = 5.0 + 0.3 * np.random.default_rng(1).standard_normal(20_000)
    guard = rule.guard(Budget((BudgetPart("x", 0.3),)), few=False)
    passed = np.mean([decide(x, guard, Window(high=5.0)) is Verdict.PASS for x in read.tolist()])
    assert passed == pytest.approx(rule.risk, abs=3 * np.sqrt(rule.risk * (1 - rule.risk) / 20_000))


# --- laws of a decision -------------------------------------------------------------------------------------


@given(st.sampled_from(NOT_A_NUMBER), GUARDS, windows())
def test_no_value_is_never_a_pass(value: float | None, guards: Guards, window: Window) -> None:
    assert decide(value, guards, window) is Verdict.NOT_EVALUATED


@given(FINITE, st.sampled_from([*NOT_A_NUMBER, -1.0]), WIDTH, st.booleans(), windows())
def test_no_guard_is_never_a_pass(value: float, bad: float, good: float, first: bool, window: Window) -> None:
    assert decide(value, bad, window) is Verdict.NOT_EVALUATED
    assert decide(value, (bad, good) if first else (good, bad), window) is Verdict.NOT_EVALUATED  # type: ignore[arg-type]


@given(FINITE, GUARDS, OPERATOR, st.sampled_from([nan, inf, -inf]))
def test_a_limit_that_is_no_number_is_never_met(value: float, guards: Guards, operator: str, limit: float) -> None:
    assert decide(value, guards, Window.of(operator, limit)) is Verdict.NOT_EVALUATED  # type: ignore[arg-type]
    assert decide(value, guards, Window()) is Verdict.NOT_EVALUATED
    assert decide(value, guards, Window(nan, 3.0)) is Verdict.NOT_EVALUATED


@given(FINITE, WIDTH, WIDTH, windows())
def test_more_u_only_makes_less_certain(value: float, one: float, other: float, window: Window) -> None:
    sure, unsure = (decide(value, w, window) for w in sorted((one, other)))
    assert unsure in (sure, Verdict.INCONCLUSIVE)


@given(FINITE, FINITE, GUARDS, OPERATOR, FINITE)
def test_a_better_value_never_has_a_worse_verdict(
    one: float, other: float, guards: Guards, operator: str, limit: float
) -> None:
    window = Window.of(operator, limit)  # type: ignore[arg-type]
    worse, better = sorted((one, other), reverse=operator == "<=")
    assert RANK[decide(worse, guards, window)] <= RANK[decide(better, guards, window)]


@given(st.integers(-40, 40), st.integers(-40, 40), st.floats(0, 2e-6), SINGLE, OPERATOR)
def test_that_holds_within_a_step_of_the_limit_too(
    one: int, other: int, guard: float, limit: float, operator: str
) -> None:
    ulp = float(np.spacing(np.float32(limit))) / 16
    window = Window.of(operator, limit)  # type: ignore[arg-type]
    worse, better = sorted((limit + one * ulp, limit + other * ulp), reverse=operator == "<=")
    assert RANK[decide(worse, guard, window)] <= RANK[decide(better, guard, window)]


@given(FINITE, GUARDS, windows())
def test_a_pass_lies_inside_by_its_guard(value: float, guards: Guards, window: Window) -> None:
    verdict = decide(value, guards, window)
    inside = goodness(value, window)
    slack = 1e-6 * (1 + abs(value))  # a step of float32
    if verdict is Verdict.PASS:
        low, high = acceptance(guards, window)
        assert low - slack <= value <= high + slack
        assert inside >= -slack
    if verdict is Verdict.FAIL:
        assert inside <= slack


@given(FINITE, GUARDS, FINITE, FINITE)
def test_two_limits_are_no_kinder_than_each(value: float, guards: Guards, one: float, other: float) -> None:
    low, high = sorted((one, other))
    jointly = decide(value, guards, Window(low, high))
    each = [decide(value, guards, Window(low=low)), decide(value, guards, Window(high=high))]
    assert RANK[jointly] == min(RANK[v] for v in each)


def test_extremes_pass_by_one_guard_and_fail_by_the_other() -> None:
    guards, window = Guards(above=2.0, below=4.0), Window(high=10.0)
    found = [decide(v, guards, window) for v in (8.0, 8.1, 14.0, 14.1)]
    assert found == [Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE, Verdict.FAIL]
    found = [decide(v, guards, Window(low=10.0)) for v in (14.0, 13.9, 8.0, 7.9)]
    assert found == [Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE, Verdict.FAIL]


def test_a_window_narrower_than_its_guards_passes_nothing() -> None:
    low, high = acceptance(1.0, Window(0.0, 1.9))
    assert low > high
    assert {decide(v, 1.0, Window(0.0, 1.9)) for v in np.linspace(-0.9, 2.8, 50).tolist()} == {Verdict.INCONCLUSIVE}


def test_the_margin_of_a_window_is_the_smaller_of_both() -> None:
    assert [margin_within(v, Window(1.0, 5.0)) for v in (0.5, 2.0, 4.5, 6.0)] == [-0.5, 1.0, 0.5, -1.0]
    assert (margin_within(2.0, Window(low=1.5)), margin_within(2.0, Window(high=1.5))) == (0.5, -0.5)
    assert isnan(margin_within(2.0, Window()))


def test_limits_that_cross_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="above"):
        Window(2.0, 1.0)


# --- the figure's own precision -----------------------------------------------------------------------------


def test_a_sample_at_the_limit_holds() -> None:
    as_read = float(np.float32(23.1))
    assert as_read > 23.1  # the trap: 23.10000038
    assert figure_of(as_read) == 23.1
    assert decide(as_read, 0.0, Window(high=23.1)) is Verdict.PASS
    assert decide(float(np.float32(0.3)), 0.0, Window(low=0.3)) is Verdict.PASS
    below = float(np.float32(0.7))
    assert below < 0.7  # and the other way round
    assert decide(below, 0.0, Window(low=0.7)) is Verdict.PASS
    assert margin_within(below, Window(0.7, 23.1)) == 0.0


def test_the_next_sample_beyond_the_limit_does_not() -> None:
    over = float(np.nextafter(np.float32(23.1), np.float32(99)))
    assert decide(over, 0.0, Window(high=23.1)) is Verdict.FAIL
    assert decide(23.1 + 1e-5, 0.0, Window(high=23.1)) is Verdict.FAIL


@given(st.decimals(-9999, 9999, places=2, allow_nan=False))
def test_each_decimal_that_a_rig_writes_comes_back(written) -> None:  # type: ignore[no-untyped-def]
    number = float(written)
    assert figure_of(float(np.float32(number))) == number
    for operator in ("<=", ">="):
        assert margin_of(float(np.float32(number)), operator, number) == 0.0  # type: ignore[arg-type]


def test_a_smaller_value_never_has_a_larger_margin_to_a_low_limit() -> None:
    for limit in (k / 10 for k in range(1, 400)):
        step = float(np.spacing(np.float32(limit)))
        margins = [margin_of(limit + k / 16 * step, ">=", limit) for k in range(-40, 41)]
        assert margins == sorted(margins), limit


def test_one_step_from_the_limit_the_shortest_decimal_still_counts() -> None:
    step = float(np.spacing(np.float32(0.02)))  # 1.86e-9: the next float32 is 0.020000001
    assert margin_of(0.02 + step, ">=", 0.02) == pytest.approx(1e-9, rel=1e-6)


def test_large_numbers_are_compared_as_doubles() -> None:
    # float32 steps by 4 here: the shortest decimal of 33,554,434.9 is 33,554,436.
    assert decide(33_554_434.9, 0.0, Window(low=33_554_435.0)) is Verdict.FAIL
    assert decide(16_777_215.9, 0.0, Window(low=2.0**24)) is Verdict.FAIL
    assert figure_of(16_777_217.0) == 16_777_217.0


@given(FINITE, FINITE, OPERATOR)
def test_the_margin_is_never_moved_by_more_than_a_step(value: float, limit: float, operator: str) -> None:
    plain = limit - value if operator == "<=" else value - limit
    moved = abs(margin_of(value, operator, limit) - plain)  # type: ignore[arg-type]
    assert moved <= 2 * float(np.spacing(np.float32(abs(limit))))


@pytest.mark.parametrize("limit", [2_000_000, 16_777_216, 20_000_000, 3_000_000_000])
def test_counts_are_compared_as_counts(limit: int) -> None:
    assert decide(float(limit - 1), 0.0, Window(low=float(limit))) is Verdict.FAIL
    assert decide(float(limit), 0.0, Window(low=float(limit))) is Verdict.PASS
    assert decide(float(limit + 1), 0.0, Window(high=float(limit))) is Verdict.FAIL


@pytest.mark.parametrize("value", [1e300, 1e-300, 5e-324, -1e39, nextafter(0.0, 1.0)])
def test_beyond_single_precision_the_double_stands(value: float) -> None:
    assert figure_of(value) == (0.0 if abs(value) < 1e-46 else value)
    assert decide(value, 0.0, Window(high=value)) is Verdict.PASS


# --- every cycle, with an allowed share ---------------------------------------------------------------------


def test_a_limit_on_every_cycle() -> None:
    assert decide_exceptions(1000, 0, 0) is Verdict.PASS
    assert decide_exceptions(1000, 0, 1) is Verdict.INCONCLUSIVE
    assert decide_exceptions(1000, 1, 0) is Verdict.FAIL
    assert decide_exceptions(1000, 1, 0, 0.001) is Verdict.PASS
    assert decide_exceptions(999, 1, 0, 0.001) is Verdict.FAIL
    assert decide_exceptions(3000, 1, 3, 0.001) is Verdict.INCONCLUSIVE
    assert decide_exceptions(3000, 4, 0, 0.001) is Verdict.FAIL
    assert decide_exceptions(0, 0, 0, 0.5) is Verdict.NOT_EVALUATED


@pytest.mark.parametrize(("cycles", "share", "allowed"), [(100, 0.29, 29), (3000, 0.001, 3), (10, 0.7, 7), (9, 0.1, 0)])
def test_an_allowed_share_is_counted_from_its_decimal(cycles: int, share: float, allowed: int) -> None:
    assert allowed_exceptions(cycles, share) == allowed


@pytest.mark.parametrize(
    "counts",
    [
        (10, 11, 0, 0.1),
        (10, 6, 5, 0.1),
        (10, -1, 0, 0.1),
        (10, 0, -1, 0.1),
        (-1, 0, 0, 0.1),
        (10, 0, 0, 1.0),
        (10, 0, 0, nan),
    ],
)
def test_counts_that_contradict_are_a_mistake(counts: tuple[int, int, int, float]) -> None:
    with pytest.raises(ValueError, match="cycles"):
        decide_exceptions(*counts)


@given(st.integers(1, 5000), st.integers(0, 50), st.integers(0, 50), st.floats(0.0, 0.5))
def test_no_pass_that_the_hidden_cycles_could_undo(cycles: int, over: int, hidden: int, share: float) -> None:
    assume(over + hidden <= cycles)
    verdict = decide_exceptions(cycles, over, hidden, share)
    worst, best = (decide_exceptions(cycles, over + h, 0, share) for h in (hidden, 0))
    assert (verdict is Verdict.PASS) == (worst is Verdict.PASS)
    assert (verdict is Verdict.FAIL) == (best is Verdict.FAIL)


# --- many passes --------------------------------------------------------------------------------------------


def test_false_passes_together() -> None:
    found = false_passes_together([0.02275] * 10)
    assert (found.passes, found.expected, found.any_false) == (10, pytest.approx(0.2275), pytest.approx(0.2275))
    assert found.text == "10 passes: on average at most 0.23 false, any at all with at most 23 %"
    assert false_passes_together([0.5, 0.5, 0.5]).any_false == 1.0
    assert false_passes_together([0.5, 0.5, 0.5]).text == "3 passes: on average at most 1.5 false"
    alone = false_passes_together([0.001]).text
    assert alone == "1 pass: on average at most 0.001 false, any at all with at most 0.1 %"
    assert false_passes_together([]).text == "no pass"
