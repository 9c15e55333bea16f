"""Budgets against the GUM's worked examples, and the false passes that their guards leave."""

from __future__ import annotations

from math import factorial, floor, hypot, inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from scipy.stats import norm

from benchpipe.check.budget import (
    RISK,
    Budget,
    BudgetPart,
    few_values,
    from_expanded,
    median_factor,
    rectangular,
    triangular,
)
from benchpipe.check.rounding import rounded
from benchpipe.kernels.lines import straight_line

# JCGM 100:2008, H.1.6 and H.1.7: end gauge, standard uncertainties in nm and their degrees of freedom [from memory].
# The difference d is itself a sum: repeated readings, the comparator's random and systematic errors (H.1.3.2).
DIFFERENCE = Budget((BudgetPart("readings", 5.8, 24), BudgetPart("random", 3.9, 5), BudgetPart("systematic", 6.7, 8)))
END_GAUGE = Budget(
    (
        BudgetPart("length of the standard", 25.0, 18),
        BudgetPart("difference", 9.7, 25.6),
        BudgetPart("difference in expansion", 2.9, 50),
        BudgetPart("difference in temperature", 16.6, 2),
    )
)
PARTS = st.lists(
    st.builds(BudgetPart, st.just("x"), st.floats(0.0, 1e3), st.one_of(st.floats(1.0, 100.0), st.just(inf))), min_size=1
)
FEW = st.booleans()


# --- certified ----------------------------------------------------------------------------------------------


def test_end_gauge_of_the_gum() -> None:
    # H.1.3.2: u(d) = 9.7 nm with 25.6 degrees of freedom; H.1.6: ν_eff 16 (truncated), t99(16) = 2.92, U99 = 93 nm.
    assert DIFFERENCE.standard_u == pytest.approx(9.7, abs=0.05)
    assert DIFFERENCE.dof == pytest.approx(25.6, abs=0.2)  # from the rounded parts 25.5
    assert END_GAUGE.standard_u == pytest.approx(32.0, abs=0.5)
    assert floor(END_GAUGE.dof) == 16
    whole = Budget((BudgetPart("combined", END_GAUGE.standard_u, floor(END_GAUGE.dof)),))
    assert rounded(50_000_838.0, whole.expanded(0.99, few=False)) == ("50,000,838", "93")
    assert END_GAUGE.expanded(0.99, few=False) == pytest.approx(92.0, abs=0.1)  # ν_eff 16.8, not truncated


def test_welch_satterthwaite_of_the_gum() -> None:
    # JCGM 100:2008, G.4.1 example: relative u 0.25, 0.57, 0.82 % from 10, 5, 15 readings -> 1.03 %, ν_eff 19.0,
    # U95 = 2.09 · 1.03 = 2.2 % [from memory].
    budget = Budget((BudgetPart("x1", 0.25, 9, "A"), BudgetPart("x2", 0.57, 4, "A"), BudgetPart("x3", 0.82, 14, "A")))
    assert budget.standard_u == pytest.approx(1.03, abs=5e-3)
    assert budget.dof == pytest.approx(19.0, abs=0.05)
    assert budget.expanded(0.95, few=False) == pytest.approx(2.2, abs=0.05)


def test_thermometer_line_of_the_gum() -> None:
    # JCGM 100:2008, H.3: readings t, corrections b, from t0 = 20 °C; b(30) = -0.1494 with u 0.0041 °C [from memory].
    # The line's two correlated parts as independent ones: the axes of their covariance.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = straight_line(np.array(t) - 20.0, b)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.0029, 0.00067], abs=5e-5)
    variance, axes = np.linalg.eigh(line.covariance)
    at_30 = np.array([1.0, 10.0]) @ axes
    budget = Budget(tuple(BudgetPart("axis", sqrt(v)).scaled(a) for v, a in zip(variance, at_30, strict=True)))
    assert budget.standard_u == pytest.approx(0.0041, abs=5e-5)
    assert float(line.predict(10.0)) == pytest.approx(-0.1494, abs=5e-5)


def test_type_b_parts() -> None:
    # JCGM 100:2008: 4.3.7 half-width/√3, 4.3.9 half-width/√6, 4.3.3 certificate's U over its k.
    assert rectangular("resolution", 0.5).u == pytest.approx(0.2887, abs=1e-4)
    assert triangular("zero", 0.5).u == pytest.approx(0.2041, abs=1e-4)
    assert from_expanded("certificate", 0.5).u == 0.25
    assert from_expanded("certificate", 0.6, 3.0, dof=8).dof == 8


def test_a_part_keeps_its_name_its_kind_and_its_note() -> None:
    assert rectangular("a", 3.0) == BudgetPart("a", 3.0 / sqrt(3.0), inf, "B", "")
    assert rectangular("a", 3.0, dof=4.0, note="n") == BudgetPart("a", 3.0 / sqrt(3.0), 4.0, "B", "n")
    assert triangular("a", 3.0) == BudgetPart("a", 3.0 / sqrt(6.0), inf, "B", "")
    assert triangular("a", 3.0, dof=4.0, note="n") == BudgetPart("a", 3.0 / sqrt(6.0), 4.0, "B", "n")
    assert from_expanded("a", 3.0) == BudgetPart("a", 1.5, inf, "B", "")
    assert from_expanded("a", 3.0, 3.0, dof=4.0, note="n") == BudgetPart("a", 1.0, 4.0, "B", "n")


def test_what_is_stated_of_the_scatter_of_no_value_and_of_one() -> None:
    none = few_values([nan], "mean", name="s")
    assert (none.name, none.kind, none.note) == ("s", "A", "no value")
    assert isnan(none.u)
    assert isnan(none.dof)
    assert few_values([3], "mean", name="s", own_u=0.2) == BudgetPart(
        "s", 0.2, inf, "A", "one value: its own uncertainty"
    )
    alone = few_values([3], "mean", name="s")
    assert (alone.name, alone.note) == ("s", "one value without an uncertainty of its own")


def test_the_usual_coverage_is_95_percent_by_parts_or_by_their_sum() -> None:
    # t(0.975): 4.303 with 2 degrees of freedom, 1.960 with infinitely many
    budget = Budget((BudgetPart("scatter", 1.0, 2, "A"), BudgetPart("certificate", 1.0)))
    assert budget.expanded(few=True) == pytest.approx(hypot(4.303, 1.960), abs=1e-3)
    assert budget.expanded(few=False) == pytest.approx(budget.guard(0.025, few=False))
    assert budget.expanded(few=False) < budget.expanded(few=True)


@pytest.mark.parametrize("n", range(2, 11))
def test_factor_of_a_median_is_the_integral_of_its_order_statistics(n: int) -> None:
    half = (n - 1) // 2

    def tails(low: float, high: float) -> float:
        return float((norm.cdf(low) * norm.sf(high)) ** half)

    if n % 2:
        count = factorial(n) / factorial(half) ** 2
        found, _ = integrate.quad(lambda x: x * x * count * norm.pdf(x) * tails(x, x), -8.0, 8.0)
    else:  # joint density of the two middle ones, over a grid
        count = factorial(n) / factorial(half) ** 2
        x, step = np.linspace(-7.0, 7.0, 1401, retstep=True)
        low, high = x[:, None], x[None, :]
        density = count * norm.pdf(low) * norm.pdf(high) * (norm.cdf(low) * norm.sf(high)) ** half
        inside = np.where(high > low, 1.0, np.where(high == low, 0.5, 0.0))
        found = float((0.25 * (low + high) ** 2 * density * inside).sum() * step**2)
    assert median_factor(n) == pytest.approx(sqrt(n * found), abs=2e-4)


def test_factor_of_a_median_of_many() -> None:
    assert median_factor(1) == 1.0
    assert median_factor(11) == pytest.approx(1.2533, abs=1e-4)
    assert all(median_factor(n) <= median_factor(11) for n in range(1, 11))


# --- what is not known --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "part", [BudgetPart("x", nan), BudgetPart("x", inf), BudgetPart("x", 1.0, 0.0), BudgetPart("x", 1.0, nan)]
)
@pytest.mark.parametrize("few", [True, False])
def test_a_part_that_is_not_known_leaves_nothing_known(part: BudgetPart, few: bool) -> None:
    budget = Budget((BudgetPart("known", 1.0), part))
    found = (budget.standard_u, budget.dof, budget.guard(few=few), budget.expanded(few=few), budget.share(part))
    assert all(isnan(x) for x in found)


def test_an_empty_budget_states_nothing() -> None:
    assert isnan(Budget(()).guard(few=False))
    assert isnan(Budget(()).guard(few=True))


def test_a_negative_uncertainty_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="negative"):
        BudgetPart("x", -1.0)
    assert BudgetPart("x", 1.0).scaled(-2.0).u == 2.0


def test_one_value_is_not_known_unless_it_has_its_own_uncertainty() -> None:
    assert not few_values([3.0], "mean").known
    assert not few_values([], "median").known
    assert not few_values([nan, 3.0], "mean").known
    alone = few_values([3.0], "mean", own_u=0.2, own_dof=7.0)
    assert (alone.u, alone.dof, alone.kind) == (0.2, 7.0, "A")


def test_few_values() -> None:
    assert few_values([1.0, 3.0], "mean") == BudgetPart("scatter", 1.0, 1.0, "A", "2 values")
    assert few_values([1.0, 2.0, 3.0], "median").u == pytest.approx(1.1602 / sqrt(3.0))
    assert Budget((few_values([1.0, 3.0], "mean"),)).few
    assert not Budget((few_values([1.0, 3.0, 2.0, 5.0, 4.0], "mean"), BudgetPart("certificate", 1.0, 2))).few


# --- laws ---------------------------------------------------------------------------------------------------


@given(PARTS)
def test_shares_make_one_and_dof_lies_between(parts: list[BudgetPart]) -> None:
    budget = Budget(tuple(parts))
    if budget.standard_u > 1e-100:
        assert sum(budget.share(part) for part in parts) == pytest.approx(1.0)
        assert budget.dof >= min(part.dof for part in parts) * (1 - 1e-9)
    assert budget.standard_u == pytest.approx(hypot(*(part.u for part in parts)))


@given(PARTS, st.floats(0.0, 1e3), st.floats(1e-6, 0.4))
def test_one_more_part_never_narrows_a_guard_by_parts(parts: list[BudgetPart], u: float, risk: float) -> None:
    budget = Budget(tuple(parts))
    assert budget.with_parts(BudgetPart("more", u)).guard(risk, few=True) >= budget.guard(risk, few=True) * (1 - 1e-12)


@given(PARTS, st.floats(0.0, 1e3), FEW)
def test_a_guard_follows_the_unit(parts: list[BudgetPart], sensitivity: float, few: bool) -> None:
    budget = Budget(tuple(parts))
    expected = sensitivity * budget.guard(few=few)
    assert budget.scaled(-sensitivity).guard(few=few) == pytest.approx(expected, rel=1e-9, abs=1e-200)


@given(PARTS, FEW, st.floats(1e-6, 0.4), st.floats(1e-6, 0.4))
def test_less_risk_is_a_wider_guard(parts: list[BudgetPart], few: bool, one: float, other: float) -> None:
    less, more = sorted((one, other))
    budget = Budget(tuple(parts))
    assert budget.guard(less, few=few) >= budget.guard(more, few=few) * (1 - 1e-9)


@given(st.floats(1e-3, 1e3), st.floats(0.0, 1e3), st.floats(1.0, 3.9))
def test_by_parts_is_never_narrower_than_welch_satterthwaite(scatter: float, known: float, dof: float) -> None:
    budget = Budget((BudgetPart("scatter", scatter, dof, "A"), BudgetPart("known", known)))
    assert budget.guard(few=True) >= budget.guard(few=False) * (1 - 1e-9)


# --- simulation: false passes of a mean of n values exactly at the limit, beside a known part -------------------


def false_passes(n: int, ratio: float, few: bool, draws: int = 20_000) -> float:
    """Share of draws in which a figure exactly at a low limit clears its guard; ``ratio`` is u_B over true u_A."""
    rng = np.random.default_rng([n, round(10 * ratio)])
    values = rng.standard_normal((draws, n))
    scatter = values.std(axis=1, ddof=1) / sqrt(n)
    known = ratio / sqrt(n)
    read = values.mean(axis=1) + known * rng.standard_normal(draws)
    grid = np.quantile(scatter, np.linspace(0.0, 1.0, 801))  # the guard is a smooth function of the scatter
    guard = [Budget((BudgetPart("a", s, n - 1.0, "A"), BudgetPart("b", known))).guard(few=few) for s in grid]
    return float(np.mean(read >= np.interp(scatter, grid, guard)))


# A study of 200,000 draws a cell of its own found for the first two rows 6.3, 1.7 % and 3.7, 1.9 %.
@pytest.mark.parametrize(("n", "ratio", "satterthwaite"), [(2, 0.3, 6.3), (2, 0.5, 5.3), (3, 0.3, 3.7), (3, 1.0, 2.7)])
def test_by_parts_keeps_the_risk_where_welch_satterthwaite_does_not(n: int, ratio: float, satterthwaite: float) -> None:
    assert 100.0 * false_passes(n, ratio, few=True) <= 2.28 + 0.32  # three standard errors of 20,000 draws
    assert 100.0 * false_passes(n, ratio, few=False) == pytest.approx(satterthwaite, abs=0.5)


@pytest.mark.parametrize("ratio", [0.0, 0.3, 1.0, 2.0])
@pytest.mark.parametrize("n", [5, 10])
def test_from_five_values_on_welch_satterthwaite_keeps_three_per_cent(n: int, ratio: float) -> None:
    assert false_passes(n, ratio, few=False) <= 0.03


@pytest.mark.parametrize("n", [2, 3, 5, 10])
@pytest.mark.parametrize("statistic", ["mean", "median"])
def test_few_values_at_the_limit_pass_with_the_risk(n: int, statistic: str) -> None:
    values = np.random.default_rng(n).standard_normal((4_000, n))
    read = values.mean(axis=1) if statistic == "mean" else np.median(values, axis=1)
    parts = [few_values(row, statistic) for row in values]  # type: ignore[arg-type]
    factor = Budget((BudgetPart("unit", 1.0, n - 1.0),)).guard(RISK, few=True)
    false = np.mean(read >= factor * np.array([part.u for part in parts]))
    assert 0.012 <= false <= 0.030  # of 2.28 %; three standard errors of 4,000 draws are 0.7 %
