"""Success run, Weibayes and the Weibull fit against published values, their own definitions, and drawn lives."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.reliability import (
    WeibullResult,
    reliability_bound,
    weibayes_life,
    weibull_fit,
)

# NIST/SEMATECH e-Handbook 8.4.1.3: hours to failure of ten of twenty; the others ran out at 500.
NIST_FAILED = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
NIST_TIME = [*NIST_FAILED, *[500] * 10]
NIST_ENDED = [True] * 10 + [False] * 10


# --- success run ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("confidence", "reliability", "n"),
    # n = ln(1 - C)/ln R, rounded up: the table of the trade, recomputed
    [(0.90, 0.80, 11), (0.90, 0.90, 22), (0.90, 0.95, 45), (0.90, 0.99, 230),
     (0.95, 0.80, 14), (0.95, 0.90, 29), (0.95, 0.95, 59), (0.95, 0.99, 299)],
)  # fmt: skip
def test_the_success_run_table(confidence: float, reliability: float, n: int) -> None:
    assert reliability_bound(n, 0, confidence) >= reliability > reliability_bound(n - 1, 0, confidence)


def test_two_survivors_show_little() -> None:
    assert reliability_bound(2, 0, 0.90) == pytest.approx(0.316, abs=5e-4)  # 0.1^(1/2)
    assert reliability_bound(22, 0, 0.90) == pytest.approx(0.1 ** (1 / 22), rel=1e-12)


@given(st.integers(1, 60), st.integers(0, 60), st.floats(0.5, 0.99))
def test_the_bound_is_the_share_at_which_so_many_survivors_are_just_as_rare(s: int, f: int, confidence: float) -> None:
    p = reliability_bound(s, f, confidence)
    n = s + f
    at_least = sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(s, n + 1))
    assert at_least == pytest.approx(1 - confidence, rel=1e-6)


@given(st.integers(0, 20), st.integers(0, 20), st.floats(0.5, 0.99))
def test_a_failure_lowers_the_bound_and_a_survivor_lifts_it(s: int, f: int, confidence: float) -> None:
    here = reliability_bound(s, f, confidence)
    assert reliability_bound(s + 1, f, confidence) > here
    assert reliability_bound(s, f + 1, confidence) < here or here == 0.0
    assert 0.0 <= here < s / (s + f) if s else here == 0.0


@pytest.mark.parametrize(("s", "f", "c"), [(-1, 0, 0.9), (0, -1, 0.9), (1, 0, 0.0), (1, 0, 1.0), (1, 0, math.nan)])
def test_what_is_no_count_or_no_confidence_is_refused(s: int, f: int, c: float) -> None:
    with pytest.raises(ValueError, match="must"):
        reliability_bound(s, f, c)


def test_the_bound_holds_as_often_as_it_says() -> None:
    draws = np.random.default_rng(8).random((4000, 9))  # true reliability 0.7, 9 specimens
    survived = (draws < 0.7).sum(axis=1)
    bounds = {s: reliability_bound(s, 9 - s, 0.90) for s in range(10)}
    held = np.mean([bounds[int(s)] <= 0.7 for s in survived])
    assert held >= 0.90 - 3 * math.sqrt(0.09 / 4000)


# --- Weibayes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("confidence", "life"), [(0.632, 3.465e6), (0.90, 2.283e6), (0.95, 2.001e6)])
def test_three_run_outs(confidence: float, life: float) -> None:
    found = weibayes_life([2e6] * 3, [False] * 3, 2.0, confidence)  # η at 63.2, 90 and 95 %: recomputed
    assert found.life == pytest.approx(life, abs=600)
    assert (found.n_failed, found.n_used, found.converged) == (0, 3, True)


@given(st.integers(1, 12), st.floats(0.3, 10), st.floats(0.5, 0.99))
def test_equal_run_outs_say_the_same_as_a_success_run(n: int, shape: float, confidence: float) -> None:
    life = weibayes_life([1e6] * n, [False] * n, shape, confidence).life
    assert math.exp(-((1e6 / life) ** shape)) == pytest.approx(reliability_bound(n, 0, confidence), rel=1e-9)


@given(st.floats(1e-6, 1e9), st.floats(0.2, 40.0))
def test_the_unit_of_time_does_not_matter(unit: float, shape: float) -> None:
    time, failed = np.array([1.0, 2.0, 3.5, 4.0]), [True, False, True, False]
    one, other = weibayes_life(time, failed, shape, 0.9).life, weibayes_life(unit * time, failed, shape, 0.9).life
    assert other == pytest.approx(unit * one, rel=1e-9)


@pytest.mark.parametrize("shape", [0.8, 2.0])
def test_with_failures_the_bound_holds_in_tests_that_stop_at_a_time(shape: float) -> None:
    lives = 1000.0 * np.random.default_rng(3).weibull(shape, (3000, 6))
    failed = lives < 900.0
    held = np.mean(
        [weibayes_life(np.minimum(t, 900.0), f, shape, 0.90).life <= 1000.0 for t, f in zip(lives, failed, strict=True)]
    )
    assert held >= 0.90 - 3 * math.sqrt(0.09 / 3000)


def test_a_failure_lowers_the_life_that_is_shown() -> None:
    time = [2e6, 2e6, 1e6]
    lives = [weibayes_life(time, [False, False, f], 2.0, 0.9).life for f in (False, True)]
    assert lives[1] < lives[0]


def test_without_a_time_nothing_is_shown() -> None:
    for time in ([], [0.0, 0.0], [math.nan]):
        found = weibayes_life(time, [False] * len(time), 2.0, 0.9)
        assert not found.converged
        assert math.isnan(found.life)
    with pytest.raises(ValueError, match="shape"):
        weibayes_life([1.0], [False], 0.0, 0.9)
    with pytest.raises(ValueError, match="rows"):
        weibayes_life([1.0, 2.0], [False], 1.0, 0.9)


# --- Weibull fit ----------------------------------------------------------------------------------------------


def log_likelihood(shape: float, scale: float, time: np.ndarray, ended: np.ndarray) -> float:
    """Of a Weibull distribution, term by term."""
    total = 0.0
    for t, e in zip(time, ended, strict=True):
        total -= (t / scale) ** shape
        if e:
            total += math.log(shape / scale) + (shape - 1) * math.log(t / scale)
    return total


def test_nist_weibull() -> None:
    found = weibull_fit(NIST_TIME, NIST_ENDED)  # e-Handbook 8.4.1.3
    assert found.shape == pytest.approx(1.7207, abs=1.1e-4)
    assert found.scale == pytest.approx(606.53, abs=5e-3)
    assert found.log_likelihood == pytest.approx(-75.135, abs=5e-4)
    assert (found.n_failed, found.n_used, found.converged) == (10, 20, True)


def test_ball_bearings(open_data: Path) -> None:
    # Lieblein and Zelen 1956, J. Res. NBS 57:273; published maximum likelihood: scale 81.875, shape 2.102
    lives = np.loadtxt(open_data / "life_data" / "lieblein_zelen_1956_ball_bearings.csv", skiprows=1)
    found = weibull_fit(lives, [True] * lives.size)
    assert lives.size == 23
    assert found.scale == pytest.approx(81.875, abs=1e-3)
    assert found.shape == pytest.approx(2.102, abs=5e-4)


def test_standard_errors_are_the_curvature_of_the_likelihood() -> None:
    time, ended = np.array(NIST_TIME, float), np.array(NIST_ENDED)
    found = weibull_fit(time, ended)
    point, step = np.array([found.shape, found.scale]), np.array([1e-3, 0.3])
    hessian = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            signs = [(a, b) for a in (1, -1) for b in (1, -1)]
            ends = [point + a * step * (np.arange(2) == i) + b * step * (np.arange(2) == j) for a, b in signs]
            second = sum(a * b * log_likelihood(*end, time, ended) for (a, b), end in zip(signs, ends, strict=True))
            hessian[i, j] = second / (4 * step[i] * step[j])
    covariance = np.linalg.inv(-hessian)
    assert found.shape_u == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-4)
    assert found.scale_u == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-4)
    expected = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert found.correlation == pytest.approx(expected, rel=1e-3)


@given(st.lists(st.tuples(st.integers(1, 10_000), st.booleans()), min_size=2, max_size=15), st.floats(1e-3, 1e6))
def test_no_other_shape_and_scale_are_likelier(rows: list[tuple[int, bool]], unit: float) -> None:
    time, ended = np.array([t for t, _ in rows], float), np.array([e for _, e in rows])
    found = weibull_fit(time, ended)
    if not found.converged:
        failures = time[ended]
        assert failures.size == 0 or np.log(failures / time.max()).mean() == 0.0
        return
    best = log_likelihood(found.shape, found.scale, time, ended)
    assert best == pytest.approx(found.log_likelihood, rel=1e-6, abs=1e-6)
    for a, b in ((1.01, 1.0), (0.99, 1.0), (1.0, 1.01), (1.0, 0.99), (1.02, 0.99)):
        other = log_likelihood(a * found.shape, b ** (1 / found.shape) * found.scale, time, ended)
        assert other <= best + 1e-9 * abs(best)
    again = weibull_fit(unit * time, ended)
    assert again.shape == pytest.approx(found.shape, rel=1e-6)
    assert again.scale == pytest.approx(unit * found.scale, rel=1e-6)


def test_intervals_of_thirty_lives_cover() -> None:
    lives = 200.0 * np.random.default_rng(11).weibull(1.8, (400, 30))
    found = [weibull_fit(np.minimum(row, 250.0), row < 250.0) for row in lives]
    # intervals of the logarithms: the standard error of ln x is that of x over x
    shapes = np.mean([abs(math.log(f.shape / 1.8)) <= 1.96 * f.shape_u / f.shape for f in found])
    scales = np.mean([abs(math.log(f.scale / 200.0)) <= 1.96 * f.scale_u / f.scale for f in found])
    assert 0.91 <= shapes <= 0.985
    assert 0.91 <= scales <= 0.985


@pytest.mark.parametrize(
    ("time", "ended"),
    [([], []), ([1.0, 2.0], [False, False]), ([5.0, 5.0], [True, True]), ([2.0, 5.0], [False, True]),
     ([5.0, 5.000000000000001], [True, True]),
     ([math.nan, 0.0, -1.0], [True] * 3)],
)  # fmt: skip
def test_lives_that_bound_no_shape_give_no_fit(time: list[float], ended: list[bool]) -> None:
    found = weibull_fit(time, ended)
    assert isinstance(found, WeibullResult)
    assert not found.converged
    assert math.isnan(found.shape)
