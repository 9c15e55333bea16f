"""Differences of two groups against worked sets, exact tests, and what a number of specimens can show."""

from __future__ import annotations

from math import inf, log

import numpy as np
import pytest
from scipy import stats

from benchpipe.kernels.difference import (
    Difference,
    exact_paired,
    exact_unpaired,
    paired,
    pooled,
    welch,
    welch_refuses,
)
from benchpipe.kernels.families import dunnett_factor, dunnett_p, holm_p, tukey_factor, tukey_p
from benchpipe.kernels.sample_size import (
    equivalence_power,
    groups_needed,
    least_p,
    paired_power,
    pairs_needed,
)

# Shoes: Box, Hunter and Hunter, Statistics for Experimenters. Sleep: Student 1908. Sets from memory; the answers are
# recomputed and those usually printed with them.
SHOES_A = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
SHOES_B = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
# Dunnett 1955; Tukey: NIST/SEMATECH e-Handbook 7.4.7.1. From memory, answers recomputed.
CONTROL = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
DRUGS = ([9.76, 8.80, 7.68, 9.36], [12.80, 9.68, 12.16, 9.20, 10.55])


def test_shoes_paired_beats_unpaired() -> None:
    found = paired(SHOES_B, SHOES_A)
    assert found.t == pytest.approx(3.3489, abs=5e-5)
    assert (found.dof, found.n_used) == (9, 10)
    assert found.p == pytest.approx(0.008539, abs=5e-7)
    assert found.value == pytest.approx(0.41)
    assert found.interval() == pytest.approx((0.1330, 0.6870), abs=5e-5)
    assert found.interval(0.9) == pytest.approx((0.1856, 0.6344), abs=5e-5)
    unpaired = pooled(SHOES_B, SHOES_A)
    assert unpaired.t == pytest.approx(0.369, abs=5e-4)
    assert unpaired.p == pytest.approx(0.716, abs=5e-4)


@pytest.mark.parametrize(("margin", "p", "digits"), [(0.5, 0.2405, 4), (0.7, 0.02100, 5), (1.0, 0.000474, 6)])
def test_shoes_are_equivalent_within_a_wide_margin_alone(margin: float, p: float, digits: int) -> None:
    assert paired(SHOES_B, SHOES_A).equivalence_p(-margin, margin) == pytest.approx(p, abs=0.51 * 10.0**-digits)


def test_sleep_by_welch_and_by_pairs() -> None:
    found = welch(SLEEP_1, SLEEP_2)
    assert found.t == pytest.approx(-1.86081, abs=5e-6)
    assert found.dof == pytest.approx(17.7765, abs=5e-5)
    assert found.p == pytest.approx(0.079394, abs=5e-7)
    by_pairs = paired(SLEEP_1, SLEEP_2)
    assert by_pairs.t == pytest.approx(-4.06213, abs=5e-6)
    assert by_pairs.p == pytest.approx(0.0028329, abs=5e-8)


@pytest.mark.parametrize(
    ("difference", "error", "dof", "p"),
    [  # R package equivalence, as statsmodels' test_tost.py has it
        (0.164667, 0.135751, 14, 0.0031669),
        (0.562667, 0.247828, 14, 0.441203),
        (0.164667, 0.253163, 26.7485, 0.0485308),
        (0.164667, 0.253163, 28, 0.0482732),
    ],
)
def test_two_one_sided_tests_as_printed(difference: float, error: float, dof: float, p: float) -> None:
    # the inputs are printed to 6 digits, so the last digit of p hangs on their rounding
    found = Difference(difference, error, dof, 15).equivalence_p(-0.6, 0.6)
    assert found == pytest.approx(p, rel=3e-5)


def test_equivalence_is_not_shown_where_the_value_lies_outside() -> None:
    assert Difference(0.8, 0.1, 10.0, 11).equivalence_p(-0.6, 0.6) > 0.95
    assert Difference(-0.8, 0.1, 10.0, 11).equivalence_p(-0.6, 0.6) > 0.95


def test_a_shared_error_widens_interval_and_p_together() -> None:
    alone, shared = Difference(0.1, 0.03, 4.0, 5), Difference(0.1, 0.03, 4.0, 5, shared_u=0.03)
    assert shared.interval()[0] < alone.interval()[0]
    assert shared.p > alone.p
    edge = shared.half_width(0.025)
    assert Difference(edge, 0.03, 4.0, 5, shared_u=0.03).p == pytest.approx(0.05, rel=1e-8)
    assert Difference(0.1, 0.0, inf, 5, shared_u=0.03).p == pytest.approx(2 * stats.norm.sf(0.1 / 0.03))


@pytest.mark.parametrize("dof", [1.0, 2.0, 2.7, 6.3, 18.0, inf])
@pytest.mark.parametrize("distance", [1e-6, 0.3, 3.0, 1e3, 1e9])
def test_a_p_with_a_shared_error_is_always_a_number(dof: float, distance: float) -> None:
    found = Difference(distance, 0.03, dof, 5, shared_u=0.01)
    assert 0.0 < found.p <= 1.0
    assert found.p >= Difference(distance, 0.03, dof, 5).p * (1.0 - 1e-6)
    assert 0.0 < found.equivalence_p(-0.07, 0.07) <= 1.0


def test_one_specimen_a_group_gives_no_difference() -> None:
    assert not welch([1.0], [2.0, 3.0]).converged
    assert np.isnan(welch([1.0], [2.0, 3.0]).p)
    assert "needs 3" in welch_refuses(2, 5)
    assert "within 2 to 1" in welch_refuses(3, 7)
    assert welch_refuses(3, 6) == ""


def test_exact_tests_agree_with_scipy_and_say_what_they_can_reach() -> None:
    a, b = SLEEP_1[:4], SLEEP_2[4:8]

    def statistic(x: np.ndarray, y: np.ndarray, axis: int) -> np.ndarray:
        return np.asarray(x.mean(axis=axis) - y.mean(axis=axis))

    kind = {"vectorized": True, "n_resamples": np.inf, "alternative": "two-sided"}
    other = stats.permutation_test((np.array(a), np.array(b)), statistic, permutation_type="independent", **kind)
    found = exact_unpaired(a, b)
    assert found.p == pytest.approx(other.pvalue)
    assert exact_unpaired([1.0, 2.0, 3.0, 4.0], [11.0, 12.0, 13.0, 14.0]).p == pytest.approx(2 / 70)
    assert found.least_p == pytest.approx(0.0286, abs=5e-5)
    assert exact_paired([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]).p == 2 / 64
    assert not exact_unpaired(np.arange(20.0), np.arange(20.0)).converged


def test_what_n_buys() -> None:
    assert [least_p(2, 2), least_p(3, 3), least_p(4, 4)] == pytest.approx([1 / 3, 0.1, 2 / 70])
    assert [least_p(5), least_p(6)] == pytest.approx([0.0625, 0.03125])
    assert [pairs_needed(0.077, sd) for sd in (0.02, 0.04, 0.06)] == [(3, 3), (5, 5), (7, 7)]
    assert groups_needed(0.077, 0.04) == 6


def test_power_by_simulation() -> None:
    rng = np.random.default_rng(4)
    d = rng.normal(0.0, 0.04, (40_000, 5))
    mean, error = d.mean(axis=1), d.std(axis=1, ddof=1) / np.sqrt(5)
    seen = np.abs(mean + 0.077) / error > stats.t.ppf(0.975, 4)
    assert paired_power(5, 0.077, 0.04) == pytest.approx(seen.mean(), abs=0.008)
    shown = np.abs(mean) + stats.t.ppf(0.95, 4) * error < 0.077
    assert equivalence_power(5, 0.077, 0.04) == pytest.approx(shown.mean(), abs=0.008)


def test_dunnett_1955() -> None:
    groups = [CONTROL, *DRUGS]
    n = [len(g) for g in groups]
    dof = sum(n) - 3
    error = sum((len(g) - 1) * np.var(g, ddof=1) for g in groups) / dof
    shares = [k / (k + n[0]) for k in n[1:]]
    p = [
        dunnett_p((np.mean(g) - np.mean(CONTROL)) / np.sqrt(error * (1 / len(g) + 1 / n[0])), shares, dof)
        for g in DRUGS
    ]
    assert p == pytest.approx([0.620, 0.0058], abs=5e-4)
    other = stats.dunnett(*[np.array(g) for g in DRUGS], control=np.array(CONTROL), random_state=1).pvalue
    assert p == pytest.approx(other, abs=3e-4)  # scipy's integral is a quasi-Monte-Carlo one


def test_the_factor_of_dunnett_holds_its_risk() -> None:
    assert dunnett_p(dunnett_factor([0.5, 0.5, 0.5], 12.0), [0.5, 0.5, 0.5], 12.0) == pytest.approx(0.05, abs=1e-6)
    assert dunnett_factor([0.5], 12.0) == pytest.approx(stats.t.ppf(0.975, 12.0))
    # Dunnett's two-sided table for three treatments and 12 degrees of freedom: 2.68 (from memory)
    assert dunnett_factor([0.5, 0.5, 0.5], 12.0) == pytest.approx(2.68, abs=0.005)


def test_tukey_of_the_nist_handbook() -> None:
    groups = np.array([
        [6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3], [5.8, 3.8, 6.1, 5.6, 6.2]
    ])  # fmt: skip
    error = float(groups.var(axis=1, ddof=1).mean())
    assert error == pytest.approx(1.33075)
    assert np.sqrt(2.0) * tukey_factor(4, 16.0) == pytest.approx(4.0461, abs=5e-5)
    assert tukey_factor(4, 16.0) * np.sqrt(error * 0.4) == pytest.approx(2.087, abs=5e-4)
    means = groups.mean(axis=1)
    differ = [
        (i + 1, j + 1)
        for i in range(4) for j in range(i + 1, 4)
        if tukey_p((means[i] - means[j]) / np.sqrt(error * 0.4), 4, 16.0) < 0.05
    ]  # fmt: skip
    assert differ == [(1, 2), (1, 3), (2, 4), (3, 4)]


@pytest.mark.parametrize(("t", "groups", "dof"), [(0.5, 3, 4.0), (2.5, 3, 6.0), (4.0, 5, 20.0), (6.0, 8, 100.0)])
def test_the_studentized_range_agrees_with_scipy(t: float, groups: int, dof: float) -> None:
    assert tukey_p(t, groups, dof) == pytest.approx(stats.studentized_range.sf(np.sqrt(2) * t, groups, dof), abs=1e-8)
    factor = tukey_factor(groups, dof)
    assert np.sqrt(2) * factor == pytest.approx(stats.studentized_range.isf(0.05, groups, dof), rel=1e-6)


def test_three_against_more_keep_their_size() -> None:
    rng = np.random.default_rng(8)
    wrong = [welch(3.0 * rng.standard_normal(3), rng.standard_normal(6)).p < 0.05 for _ in range(4000)]
    assert np.mean(wrong) < 0.06
    assert welch([1.0, 2.0, 4.0], [1.0, 2.0, 3.0, 5.0]).dof == 2.0
    assert welch([1.0, 2.0, 4.0, 4.5], [1.0, 2.0, 3.0, 5.0, 7.0]).dof == 3.0
    assert welch([1.0, 2.0, 4.0, 4.5], [1.0, 2.0, 3.0, 5.0]).dof > 3.0


def test_holm_steps_down() -> None:
    assert holm_p([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm_p([0.6, 0.9]) == pytest.approx([1.0, 1.0])


def test_a_just_noticeable_ratio_is_a_logarithm() -> None:
    assert pairs_needed(log(1.077), 0.06) == (8, 8)
