"""The decision rule: never a pass on nothing, monotone in the margin, and the published false-accept rates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from benchpipe.check.decision import RANK, Verdict, conformance_probability, decide, margin_of, worst

FINITE = st.floats(-1e9, 1e9)
U = st.floats(0.0, 1e6)
OPERATOR = st.sampled_from(["<=", ">="])
NOTHING = [None, math.nan, math.inf, -math.inf]


@given(st.sampled_from(NOTHING), U, OPERATOR, FINITE, st.booleans())
def test_no_value_is_never_a_pass(measured: float | None, u: float, operator: str, limit: float, guarded: bool) -> None:
    assert decide(measured, u, operator, limit, guarded=guarded, guard=2.0) is Verdict.NOT_EVALUATED


@given(FINITE, st.sampled_from([*NOTHING, -1.0]), OPERATOR, FINITE)
def test_no_uncertainty_is_never_a_pass_when_guarded(
    measured: float, u: float | None, operator: str, limit: float
) -> None:
    assert decide(measured, u, operator, limit, guarded=True, guard=2.0) is Verdict.NOT_EVALUATED


@given(FINITE, U, OPERATOR, st.sampled_from([math.nan, math.inf, -math.inf]), st.booleans())
def test_a_limit_that_is_no_number_is_never_met(
    measured: float, u: float, operator: str, limit: float, guarded: bool
) -> None:
    assert decide(measured, u, operator, limit, guarded=guarded, guard=2.0) is Verdict.NOT_EVALUATED


@given(FINITE, FINITE, U, OPERATOR, FINITE, st.booleans())
def test_a_better_value_never_has_a_worse_verdict(
    one: float, other: float, u: float, operator: str, limit: float, guarded: bool
) -> None:
    better, worse = sorted((one, other), key=lambda v: -margin_of(v, operator, limit))
    verdicts = [decide(v, u, operator, limit, guarded=guarded, guard=2.0) for v in (worse, better)]
    assert RANK[verdicts[0]] <= RANK[verdicts[1]]
    assert Verdict.NOT_EVALUATED not in verdicts


@given(FINITE, U, U, OPERATOR, FINITE)
def test_a_larger_uncertainty_only_makes_less_certain(
    measured: float, one: float, other: float, operator: str, limit: float
) -> None:
    small, large = sorted((one, other))
    sure = decide(measured, small, operator, limit, guarded=True, guard=2.0)
    unsure = decide(measured, large, operator, limit, guarded=True, guard=2.0)
    assert unsure in (sure, Verdict.INCONCLUSIVE)


@given(FINITE, U, OPERATOR, FINITE)
def test_guarded_never_says_the_opposite_of_simple(measured: float, u: float, operator: str, limit: float) -> None:
    guarded = decide(measured, u, operator, limit, guarded=True, guard=2.0)
    assert guarded in (decide(measured, u, operator, limit, guarded=False, guard=2.0), Verdict.INCONCLUSIVE)


@given(FINITE, FINITE, U, st.booleans())
def test_at_most_and_at_least_mirror_one_another(measured: float, limit: float, u: float, guarded: bool) -> None:
    here = decide(measured, u, "<=", limit, guarded=guarded, guard=2.0)
    assert here is decide(-measured, u, ">=", -limit, guarded=guarded, guard=2.0)


@pytest.mark.parametrize(
    ("measured", "simple", "guarded"),
    [
        (8.9, Verdict.PASS, Verdict.PASS),
        (9.0, Verdict.PASS, Verdict.PASS),  # inside by exactly U
        (9.1, Verdict.PASS, Verdict.INCONCLUSIVE),
        (10.0, Verdict.PASS, Verdict.INCONCLUSIVE),
        (10.1, Verdict.FAIL, Verdict.INCONCLUSIVE),
        (11.0, Verdict.FAIL, Verdict.INCONCLUSIVE),  # outside by exactly U
        (11.1, Verdict.FAIL, Verdict.FAIL),
    ],
)
def test_the_guard_band_by_example(measured: float, simple: Verdict, guarded: Verdict) -> None:
    assert decide(measured, 1.0, "<=", 10.0, guarded=False, guard=2.0) is simple
    assert decide(measured, 1.0, "<=", 10.0, guarded=True, guard=2.0) is guarded


def test_the_zener_diode_of_jcgm_106() -> None:
    # JCGM 106:2012 Zener diode: y = -5.47 V, u = 0.05 V, T_U = -5.40 V gives 0.92 (from memory, recomputed: 0.9192).
    assert conformance_probability(-5.47, 0.05, "<=", -5.40) == pytest.approx(0.9192, abs=5e-5)


@given(FINITE, st.floats(1e-3, 1e6), OPERATOR, FINITE)
def test_the_conformance_probability_is_the_normal_one(measured: float, u: float, operator: str, limit: float) -> None:
    asked = norm.cdf(margin_of(measured, operator, limit) / u)
    assert conformance_probability(measured, u, operator, limit) == pytest.approx(asked, rel=1e-9, abs=1e-300)


def test_without_uncertainty_conformance_is_sure() -> None:
    assert conformance_probability(1.0, 0.0, "<=", 1.0) == 1.0
    assert conformance_probability(1.1, 0.0, "<=", 1.0) == 0.0


# ILAC-G8:09/2019: guard band w, false accept at worst; w = 1.65 u is the default of ISO 14253-1:2017.
@pytest.mark.parametrize(("guard", "rate", "printed"), [(0.0, 0.5, 0.50), (1.65, 0.0495, 0.05), (2.0, 0.0228, 0.023)])
def test_the_false_accept_rate_at_the_limit(guard: float, rate: float, printed: float) -> None:
    count, u, limit = 200_000, 0.3, 10.0
    measured = limit + u * np.random.default_rng(20310601).standard_normal(count)  # the true value is at the limit
    passed = sum(decide(m, 2.0 * u, "<=", limit, guarded=True, guard=guard) is Verdict.PASS for m in measured.tolist())
    assert passed / count == pytest.approx(rate, abs=4.0 * math.sqrt(rate / count))
    assert norm.cdf(-guard) == pytest.approx(printed, abs=0.001)


@given(FINITE, st.floats(1e-3, 1e3), OPERATOR, FINITE, st.floats(0.1, 4.0))
def test_a_guarded_pass_has_at_least_the_probability_of_its_guard(
    measured: float, u: float, operator: str, limit: float, guard: float
) -> None:
    if decide(measured, 2.0 * u, operator, limit, guarded=True, guard=guard) is Verdict.PASS:
        assert conformance_probability(measured, u, operator, limit) >= norm.cdf(guard) - 1e-9


def test_the_worst_verdict_is_a_fail_then_doubt_then_nothing() -> None:
    every = [Verdict.PASS, Verdict.NOT_EVALUATED, Verdict.INCONCLUSIVE, Verdict.FAIL]
    assert [worst(every[: i + 1]) for i in range(4)] == every
    assert worst([]) is Verdict.NOT_EVALUATED
