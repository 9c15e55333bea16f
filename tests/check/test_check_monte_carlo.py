"""The Monte Carlo check: GUM H.2, ratios near zero, and which of two uncertainties stands."""

from __future__ import annotations

from math import inf, isnan, nan, pi, sqrt

import numpy as np
import pytest

from benchpipe.check.budget import Budget, BudgetPart
from benchpipe.check.monte_carlo import Input, MonteCarloResult, larger_of, propagate

# JCGM 100:2008, Table H.2 [from memory]: five simultaneous sets of V [V], I [mA], φ [rad].
V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
I_MA = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
# Table H.4: resistance, reactance, impedance [Ω] and their standard uncertainties.
IMPEDANCE = [
    (lambda v, i, p: 1e3 * v / i * np.cos(p), 127.732, 0.071),
    (lambda v, i, p: 1e3 * v / i * np.sin(p), 219.847, 0.295),
    (lambda v, i, p: 1e3 * v / i, 254.260, 0.236),
]
MEANS = [float(x.mean()) for x in (V, I_MA, PHI)]
MEAN_U = [float(x.std(ddof=1)) / sqrt(5.0) for x in (V, I_MA, PHI)]
CORRELATION = np.corrcoef([V, I_MA, PHI])


@pytest.mark.parametrize(("figure", "value", "u"), IMPEDANCE)
def test_impedance_of_the_gum_by_parts(figure, value: float, u: float) -> None:  # type: ignore[no-untyped-def]
    slopes = []
    for k in range(3):  # central differences
        ends = [[m + (side * 1e-6 * m if j == k else 0.0) for j, m in enumerate(MEANS)] for side in (1, -1)]
        slopes.append((figure(*ends[0]) - figure(*ends[1])) / (2e-6 * MEANS[k]))
    covariance = CORRELATION * np.outer(MEAN_U, MEAN_U)
    variance, axes = np.linalg.eigh(covariance)
    axis = [
        BudgetPart("axis", sqrt(max(v, 0.0))).scaled(float(a)) for v, a in zip(variance, slopes @ axes, strict=True)
    ]
    budget = Budget(tuple(axis))
    assert figure(*MEANS) == pytest.approx(value, abs=5.1e-4)
    assert budget.standard_u == pytest.approx(u, abs=1.1e-3)


@pytest.mark.parametrize(("figure", "value", "u"), IMPEDANCE)
def test_impedance_of_the_gum_by_drawing(figure, value: float, u: float) -> None:  # type: ignore[no-untyped-def]
    inputs = [Input(m, s) for m, s in zip(MEANS, MEAN_U, strict=True)]
    found = propagate(figure, inputs, correlation=CORRELATION)
    assert found.converged
    assert found.value == pytest.approx(value, abs=5.1e-4)
    assert found.u == pytest.approx(u, rel=0.02)  # a standard deviation of 20,000 draws is known to 0.5 %


def test_the_same_every_night() -> None:
    inputs = [Input(1.0, 0.1), Input(2.0, 0.2, 3.0), Input(0.0, 0.1, shape="rectangular")]
    one, other = (propagate(lambda a, b, c: a * b + c, inputs) for _ in range(2))
    assert np.array_equal(one.draws, other.draws)


def test_shapes_have_their_standard_uncertainty() -> None:
    for shape in ("normal", "rectangular", "triangular"):
        found = propagate(lambda x: x, [Input(5.0, 0.3, shape=shape)])  # type: ignore[arg-type]
        assert found.u == pytest.approx(0.3, rel=0.03)
        assert found.draws.mean() == pytest.approx(5.0, abs=0.01)


def test_few_degrees_of_freedom_are_drawn_as_students_t() -> None:
    found = propagate(lambda x: x, [Input(0.0, 1.0, 3.0)])
    assert found.high == pytest.approx(3.182, rel=0.06)  # t95(3), GUM Table G.2
    assert found.guard(0.025) == pytest.approx(3.182, rel=0.06)


def test_rectangle_squared_by_its_closed_form() -> None:
    # x uniform within ± a√3 about 0: x² has the quantile q at (a√3 q)². No derivative sees it: it is 0 at 0.
    found = propagate(lambda x: x * x, [Input(0.0, 1.0, shape="rectangular")])
    assert found.high == pytest.approx(3.0 * 0.975**2, rel=0.01)
    assert found.low == pytest.approx(3.0 * 0.025**2, rel=0.2)
    assert found.value == 0.0


def test_a_ratio_near_zero_widens_the_budget_to_the_monte_carlo_guard() -> None:
    budget = Budget((BudgetPart("top", 0.2), BudgetPart("bottom", 0.4)))  # of 1/0.5 with 0.1 in either
    checked = propagate(lambda a, b: a / b, [Input(1.0, 0.1), Input(0.5, 0.1)])
    for few in (True, False):
        wide = larger_of(budget, checked, few=few)
        assert wide.guard(few=few) == pytest.approx(checked.guard(), rel=1e-6)
        assert checked.guard() > 1.3 * budget.guard(few=few)
        assert wide.parts[:2] == budget.parts
        assert (wide.parts[2].name, wide.parts[2].note) == ("not linear (Monte Carlo)", "20,000 draws")
        assert (wide.parts[2].kind, wide.parts[2].dof) == ("B", inf)


def test_a_straight_line_keeps_its_budget_where_it_is_wider() -> None:
    budget = Budget((BudgetPart("a", 1.02), BudgetPart("b", 1.02)))
    checked = propagate(lambda a, b: a + b, [Input(0.0, 1.0), Input(0.0, 1.0)])
    assert larger_of(budget, checked, few=False) is budget


@pytest.mark.parametrize("few", [True, False])
@pytest.mark.parametrize("dof", [1.0, 4.0])
def test_the_larger_stands_with_few_degrees_of_freedom_too(few: bool, dof: float) -> None:
    budget = Budget((BudgetPart("a", 0.1, dof, "A"),))
    checked = propagate(lambda a: np.exp(a) - 1.0, [Input(1.0, 0.5)])
    wide = larger_of(budget, checked, few=few)
    assert wide.guard(few=few) == pytest.approx(max(checked.guard(), budget.guard(few=few)))


@pytest.mark.parametrize("u", [0.1, 1.0])
def test_guards_are_compared_at_the_risk_that_is_asked_for(u: float) -> None:
    checked = propagate(lambda a: a, [Input(0.0, 1.1)])
    wide = larger_of(Budget((BudgetPart("a", u),)), checked, few=False, risk=0.2)
    assert wide.guard(0.2, few=False) == pytest.approx(checked.guard(0.2))
    assert checked.guard(0.2) == pytest.approx(0.8416 * 1.1, rel=0.02)


def test_of_few_values_the_guards_of_few_values_are_compared() -> None:
    budget = Budget((BudgetPart("a", 0.1, 2.0, "A"), BudgetPart("b", 0.1)))
    few, many = budget.guard(few=True), budget.guard(few=False)
    assert abs(few - many) > 0.1 * many
    checked = propagate(lambda a: a, [Input(0.0, 0.25 * (few + many))])
    assert min(few, many) < checked.guard() < max(few, many)
    for how, own in ((True, few), (False, many)):
        assert (larger_of(budget, checked, few=how) is budget) is (own >= checked.guard())


def test_a_guard_reaches_to_the_further_quantile() -> None:
    up, down = (propagate(lambda a, side=side: side * np.exp(a), [Input(0.0, 0.5)]) for side in (1.0, -1.0))
    assert up.guard() == pytest.approx(np.exp(2.0 * 0.5) - 1.0, rel=0.03)  # two standard deviations of a, upwards
    assert down.guard() == pytest.approx(up.guard())
    assert (up.coverage, propagate(lambda a: a, [Input(0.0, 1.0)], coverage=0.5).coverage) == (0.95, 0.5)


def test_an_exact_input_is_an_input() -> None:
    found = propagate(lambda a, b: a + b, [Input(1.0, 0.0), Input(2.0, 0.5)])
    assert (found.converged, found.value) == (True, 3.0)
    assert found.u == pytest.approx(0.5, rel=0.02)


def test_two_draws_have_a_scatter_and_one_has_none() -> None:
    two = propagate(lambda a: a, [Input(0.0, 1.0)], draws=2)
    assert two.u == pytest.approx((two.draws[1] - two.draws[0]) / sqrt(2.0))
    assert isnan(propagate(lambda a: a, [Input(0.0, 1.0)], draws=1).u)


@pytest.mark.parametrize(
    ("drawn", "end", "half"),
    [
        (Input(0.0, 1.0, shape="rectangular"), sqrt(3.0), 0.95 * sqrt(3.0)),
        (Input(0.0, 1.0, shape="triangular"), sqrt(6.0), sqrt(6.0) * (1.0 - sqrt(0.05))),
        (Input(0.0, 1.0), inf, 1.960),
        (Input(0.0, 1.0, 1.0), inf, 12.706),  # Student's factor of one degree of freedom
        (Input(0.0, 1.0, 4.0), inf, 2.776),
    ],
)
def test_each_shape_ends_where_it_should_and_has_its_own_interval(drawn: Input, end: float, half: float) -> None:
    found = propagate(lambda a: a, [drawn])
    assert np.abs(found.draws).max() <= end
    assert (-found.low, found.high) == (pytest.approx(half, rel=0.08), pytest.approx(half, rel=0.08))


def test_draws_without_a_figure_count_against_it() -> None:
    # 16 % of the roots do not exist: the interval has no end, and the budget is not known.
    checked = propagate(lambda x: np.sqrt(x), [Input(1.0, 1.0)])
    assert checked.n_used < 0.85 * checked.n_drawn
    assert not checked.converged
    assert isnan(checked.guard())
    wide = larger_of(Budget((BudgetPart("a", 1.0),)), checked, few=False)
    assert isnan(wide.guard(few=False))
    assert (wide.parts[1].name, wide.parts[1].note) == ("not linear (Monte Carlo)", "too many draws have no figure")


def test_rare_draws_without_a_figure_widen_it() -> None:
    # 1 % of the draws have no figure: they count as beyond both ends.
    found = propagate(lambda x: np.where(np.abs(x) > 2.5758, nan, x), [Input(0.0, 1.0)])
    assert found.converged
    assert found.high == pytest.approx(float(np.quantile(found.draws, 1 - 0.015)), rel=0.02)
    assert found.high > 2.05  # 1.96 if they were left out


def test_a_quantile_needs_one_whole_draw_beyond_it() -> None:
    found = MonteCarloResult(2.0, 1.0, 0.0, 4.0, 0.95, 5, 5, True, np.arange(5.0))
    assert found.quantiles(0.2) == (1.0, 3.0)  # one of five lies beyond either
    assert found.quantiles(0.3) == pytest.approx((1.5, 2.5))
    assert found.quantiles(0.19) == (-inf, inf)
    assert found.guard(0.2) == 1.0
    with_a_hole = MonteCarloResult(2.0, 1.0, 0.0, 4.0, 0.95, 5, 10, True, np.arange(5.0))
    assert with_a_hole.quantiles(0.6) == (1.0, 3.0)  # the five without a figure lie beyond both
    assert with_a_hole.quantiles(0.59) == (-inf, inf)


@pytest.mark.parametrize("bad", [Input(nan, 1.0), Input(1.0, nan), Input(1.0, 1.0, 0.0)])
def test_an_input_that_is_not_known_gives_nothing(bad: Input) -> None:
    checked = propagate(lambda x: x, [bad])
    assert checked.converged is False
    assert isnan(checked.u) or checked.u > 0.0
    assert (checked.coverage, checked.n_used + checked.n_drawn) == (0.95, checked.draws.size + 20_000)
    assert isnan(checked.low)
    assert isnan(checked.high)
    assert isnan(larger_of(Budget((BudgetPart("a", 1.0),)), checked, few=True).standard_u)


def test_only_normal_inputs_are_correlated() -> None:
    with pytest.raises(ValueError, match=r"^only normal inputs of infinite degrees of freedom can be correlated$"):
        propagate(lambda a, b: a + b, [Input(0, 1), Input(0, 1, 3.0)], correlation=np.eye(2))
    together = propagate(lambda a, b: a - b, [Input(0, 1), Input(0, 1)], correlation=np.ones((2, 2)))
    assert together.u == pytest.approx(0.0, abs=1e-7)
    of_three = propagate(lambda a, b, c: a + b - 2 * c, [Input(0, 1)] * 3, correlation=np.ones((3, 3)))
    assert of_three.u == pytest.approx(0.0, abs=1e-6)


def test_a_figure_of_a_constant() -> None:
    assert propagate(lambda x: 0 * x + pi, [Input(0.0, 1.0)]).guard() == 0.0
