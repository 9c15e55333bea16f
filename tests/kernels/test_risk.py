"""Student's factors, conformance probability and the risks of a rule, against published values and other ways."""

from __future__ import annotations

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchpipe.kernels.risk import (
    Density,
    RiskResult,
    conformance,
    global_risks,
    normal_prior,
    normal_risk,
    student_guard,
)

VALUE = st.floats(-1e3, 1e3)
U = st.floats(1e-3, 1e3)
DOF = st.one_of(st.floats(1.0, 100.0), st.just(inf))


# JCGM 100:2008, Table G.2, rows 1, 2, 5, 16, 50 and infinity, columns 95 % and 99 % [from memory].
@pytest.mark.parametrize(
    ("dof", "at_95", "at_99"),
    [(1, 12.71, 63.66), (2, 4.30, 9.92), (5, 2.57, 4.03), (16, 2.12, 2.92), (50, 2.01, 2.68), (inf, 1.960, 2.576)],
)
def test_students_factor_is_that_of_the_gum(dof: float, at_95: float, at_99: float) -> None:
    assert student_guard([0.025, 0.005], dof) == pytest.approx([at_95, at_99], abs=5.1e-3)


def test_a_risk_or_dof_out_of_range_has_no_factor() -> None:
    assert np.isnan(student_guard([0.0, -0.1, 0.6, nan, 0.1, 0.1], [3, 3, 3, 3, 0, nan])).all()
    assert student_guard(0.5, 3.0) == 0.0


def test_a_tiny_risk_keeps_its_digits() -> None:
    assert student_guard(1e-12, inf) == pytest.approx(7.034484, abs=1e-6)  # table of the normal distribution
    assert normal_risk(float(student_guard(1e-12, inf))) == pytest.approx(1e-12, rel=1e-9)


def test_zener_diode() -> None:
    # JCGM 106:2012, 7.3.1 example: breakdown voltage -5.47 V, u 0.05 V, upper limit -5.40 V -> 0.92 [from memory].
    assert conformance(-5.47, 0.05, high=-5.40) == pytest.approx(0.92, abs=5e-3)


def test_a_two_sided_tolerance_counts_both_tails() -> None:
    # By the normal distribution: a value on the upper limit of a tolerance 2 u wide conforms in Φ(0) − Φ(−2).
    assert conformance(2.0, 1.0, 0.0, 2.0) == pytest.approx(0.4772499, abs=1e-7)
    assert conformance(1.0, 1.0, 0.0, 2.0, dof=1.0) == pytest.approx(0.5)  # Cauchy: half within ± 1
    assert conformance(1.0, 0.0, 0.0, 1.0) == 1.0
    assert conformance(1.1, 0.0, 0.0, 1.0) == 0.0


@pytest.mark.parametrize(("value", "u", "dof"), [(nan, 1, 5), (1, nan, 5), (inf, 1, 5), (1, -1, 5), (1, 1, 0)])
def test_nothing_known_conforms_with_no_probability(value: float, u: float, dof: float) -> None:
    assert isnan(conformance(value, u, 0.0, 2.0, dof))


@given(VALUE, U, VALUE, DOF)
def test_conforming_and_not_make_one(value: float, u: float, limit: float, dof: float) -> None:
    both = conformance(value, u, high=limit, dof=dof) + conformance(value, u, low=limit, dof=dof)
    assert both == pytest.approx(1.0, abs=1e-12)


def gamma_prior(shape: float, scale: float) -> tuple[Density, tuple[float, float]]:
    """Items that are gamma distributed, by SciPy: the population of the published example."""
    items = stats.gamma(shape, scale=scale)
    return lambda y: np.asarray(items.pdf(y), np.float64), (0.0, float(items.isf(1e-13)))


def test_ball_bearings() -> None:
    # JCGM 106:2012, 9.5.4: gamma prior (shape 4, scale 1/4 µm), limit 2 µm, u 0.25 µm -> 0.04238 nonconforming,
    # consumer's risk 0.008019, acceptance limit 1.6718 µm for a consumer's risk of 0.1 % [from memory, recomputed].
    prior, support = gamma_prior(4.0, 0.25)
    at_limit = global_risks(prior, support, 0.25, (-inf, 2.0), (-inf, 2.0))
    assert at_limit.nonconforming == pytest.approx(0.04238, abs=5e-6)
    assert at_limit.consumer == pytest.approx(0.008019, abs=5e-7)
    guarded = global_risks(prior, support, 0.25, (-inf, 2.0), (-inf, 1.6718))
    assert guarded.consumer == pytest.approx(1e-3, abs=5e-7)


def test_risks_of_a_normal_population_are_those_of_the_bivariate_normal() -> None:
    # True and measured value are jointly normal: an independent way to the same numbers.
    mean, sd, u, high, accept = 10.0, 2.0, 0.7, 12.5, 12.0
    found = global_risks(*normal_prior(mean, sd), u, (-inf, high), (-inf, accept))
    joint = stats.multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])
    both = float(joint.cdf([high, accept]))
    assert found.producer == pytest.approx(stats.norm.cdf(high, mean, sd) - both, abs=1e-7)
    assert found.consumer == pytest.approx(stats.norm.cdf(accept, mean, sqrt(sd**2 + u**2)) - both, abs=1e-7)
    assert found.nonconforming == pytest.approx(stats.norm.sf(high, mean, sd), abs=1e-10)


def test_risks_of_a_two_sided_tolerance_are_those_that_are_drawn() -> None:
    rng = np.random.default_rng(11)
    true = rng.gamma(3.0, 0.5, 200_000)
    read = true + 0.2 * rng.standard_normal(true.size)
    good, taken = (true >= 0.6) & (true <= 2.4), (read >= 0.8) & (read <= 2.2)
    found = global_risks(*gamma_prior(3.0, 0.5), 0.2, (0.6, 2.4), (0.8, 2.2))
    assert found.consumer == pytest.approx(np.mean(~good & taken), abs=1e-3)
    assert found.producer == pytest.approx(np.mean(good & ~taken), abs=2e-3)
    assert found.nonconforming == pytest.approx(np.mean(~good), abs=4e-3)


@settings(max_examples=25)  # each quadrature takes some ms
@given(st.floats(0.01, 5.0), st.floats(-2.0, 2.0), st.floats(-1.0, 2.0))
def test_a_stricter_acceptance_lowers_the_consumers_risk_and_raises_the_producers(
    u: float, accept: float, stricter: float
) -> None:
    def risks(limit: float) -> RiskResult:
        return global_risks(*normal_prior(0.0, 1.0), u, (-inf, 1.0), (-inf, limit))

    one, other = risks(accept), risks(accept - abs(stricter))
    assert other.consumer <= one.consumer + 1e-12
    assert other.producer >= one.producer - 1e-12
