"""End stops, range of motion and backlash. All data are invented, with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.breakpoints import backlash, end_stop, range_of_motion


def leg(
    stop: float = 14.0, noise: float = 0.05, seed: int = 0, n: int = 200, bumper: float = 0.0, span: float = 16.0
) -> tuple[np.ndarray, np.ndarray]:
    """A leg from 0 to ``span`` into a stop of 4 load/motion."""
    x = np.linspace(0.0, span, n)
    beyond = np.maximum(x - stop, 0.0)
    load = 0.5 + 0.01 * x + 4.0 * beyond + bumper * beyond**2
    return x, load + noise * np.random.default_rng(seed).standard_normal(n)


@given(st.floats(3.0, 13.0))
def test_exact_breakpoint_is_found(stop: float) -> None:
    x, load = leg(stop, noise=0.0)
    fit = end_stop(x, load, "upper")
    assert fit.position == pytest.approx(stop, abs=1e-5)
    assert fit.stop_slope == pytest.approx(4.0, rel=1e-4)
    assert fit.free_slope == pytest.approx(0.01, abs=1e-4)
    assert fit.load == pytest.approx(0.5 + 0.01 * stop, abs=1e-4)
    assert fit.converged


CURVES = {
    "hard": lambda d: 4.0 * d,
    "ball": lambda d: 4.0 * d**1.5,
    "quadratic": lambda d: 4.0 * d**2,
    "line and square": lambda d: 2.0 * d + 3.0 * d**2,
    "cubic": lambda d: 4.0 * d**3,
    "exponential": lambda d: 0.5 * np.expm1(d / 0.4),
}


def slow(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    """AR(1) of unit variance, by its recursion."""
    out = rng.standard_normal(n)
    for k in range(1, n):
        out[k] = rho * out[k - 1] + np.sqrt(1 - rho**2) * out[k]
    return out


@pytest.mark.parametrize("rho", [0.0, 0.9])
@pytest.mark.parametrize("curve", CURVES)
def test_interval_covers_hard_and_stiffening_stops(curve: str, rho: float) -> None:
    rng = np.random.default_rng([5, list(CURVES).index(curve)])
    hits, draws = 0, 100
    for _ in range(draws):
        at = 12.0 + rng.uniform(-0.1, 0.1)
        x = np.linspace(2.0, at + 1.2, 160)
        noise = np.sqrt(0.5) * (slow(rng, x.size, rho) + rng.standard_normal(x.size))
        fit = end_stop(x, 0.6 + 0.01 * x + CURVES[curve](np.maximum(x - at, 0.0)) + 0.03 * noise, "upper")
        assert fit.converged
        hits += fit.low <= at <= fit.high
        assert fit.high - fit.low < 0.9
    assert hits >= 0.89 * draws  # 92 to 99 % of a thousand draws: tests/benchmarks/stops_coverage.py


def test_interval_of_a_hard_stop_is_narrow_and_says_so() -> None:
    found = [end_stop(*leg(seed=seed, n=160), "upper") for seed in range(40)]
    assert np.mean([f.high - f.low for f in found]) < 0.06
    assert np.mean([f.hard for f in found]) > 0.6
    assert end_stop(*leg(12.0, bumper=3.0), "upper").hard < 0.01


def test_slow_noise_is_found() -> None:
    rng = np.random.default_rng(3)
    x, load = leg(noise=0.0)
    white = end_stop(x, load + 0.1 * rng.standard_normal(x.size), "upper")
    mixed = slow(rng, x.size, 0.9) + rng.standard_normal(x.size)
    rough = end_stop(x, load + 0.1 * np.sqrt(0.5) * mixed, "upper")
    assert abs(white.rho) < 0.2 < rough.rho
    assert rough.s == pytest.approx(0.1, rel=0.3)


def test_lower_stop_is_the_mirror_of_the_upper() -> None:
    x, load = leg()
    up, down = end_stop(x, load, "upper"), end_stop(-x, -load, "lower")
    assert (down.position, down.low, down.high) == pytest.approx((-up.position, -up.high, -up.low))
    assert down.load == pytest.approx(-up.load)
    assert down.stop_slope == pytest.approx(up.stop_slope)


def test_range_of_motion_between_two_stops() -> None:
    x, load = leg()
    span = range_of_motion(end_stop(-x, -load, "lower"), end_stop(x, load, "upper"))
    assert span.low <= 28.0 <= span.high
    assert 0.0 < span.high - span.low < 0.2
    assert 100.0 < span.dof < 400.0


@pytest.mark.parametrize("curve", ["hard", "quadratic", "exponential"])
def test_range_covers_although_both_stops_err_the_same_way(curve: str) -> None:
    rng = np.random.default_rng([6, list(CURVES).index(curve)])
    hits, draws = 0, 60
    for _ in range(draws):
        ends, found = rng.uniform(11.9, 12.1, 2), []
        for side, at in zip((1.0, -1.0), ends, strict=True):
            x = np.linspace(2.0, at + 1.2, 160)
            load = 0.6 + 0.01 * x + CURVES[curve](np.maximum(x - at, 0.0)) + 0.03 * rng.standard_normal(x.size)
            found.append(end_stop(side * x, side * load, "upper" if side > 0 else "lower"))
        span = range_of_motion(found[1], found[0])
        assert span.converged
        hits += span.low <= ends.sum() <= span.high
    assert hits >= 0.88 * draws


def test_a_long_leg_is_averaged_and_its_corner_stays_where_it_is() -> None:
    for n in (239, 240, 241, 5003):
        fit = end_stop(*leg(noise=0.0, n=n), "upper")
        assert fit.position == pytest.approx(14.0, abs=2e-3), n
        assert fit.converged
    noisy = end_stop(*leg(noise=0.05, n=5003), "upper")
    assert noisy.low <= 14.0 <= noisy.high
    assert noisy.high - noisy.low < 0.02


def test_a_stop_that_was_not_reached_is_not_converged() -> None:
    found = [end_stop(*leg(stop=20.0, seed=seed), "upper").converged for seed in range(20)]
    assert sum(found) == 0  # what noise bends is less than what the free range resists
    assert not range_of_motion(end_stop(*leg(stop=20.0), "upper"), end_stop(*leg(), "upper")).converged
    assert not end_stop([1.0, 2.0], [1.0, 2.0], "upper").converged
    assert not end_stop([1.0] * 30, [1.0] * 30, "upper").converged


def branches(seed: int, gap: float = 0.3) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Two branches of 25 load/motion, ``gap`` apart at zero load."""
    rng = np.random.default_rng(seed)
    pulled, pushed = np.linspace(5.0, 20.0, 60), np.linspace(-20.0, -5.0, 60)
    return (
        gap / 2 + pulled / 25 + 0.01 * rng.standard_normal(60),
        pulled,
        -gap / 2 + pushed / 25 + 0.01 * rng.standard_normal(60),
        pushed,
    )


def test_lash_is_the_gap_at_zero_load() -> None:
    hits = 0
    for seed in range(300):
        found = backlash(*branches(seed))
        hits += found.low <= 0.3 <= found.high
    assert 0.92 <= hits / 300 <= 0.985
    assert backlash(*branches(0, gap=0.0)).value == pytest.approx(0.0, abs=0.02)
    assert not backlash([1.0], [1.0], [1.0], [1.0]).converged


def test_lash_of_a_noiseless_joint_has_no_width() -> None:
    q = np.array([1.0, 2.0, 3.0, 4.0])
    found = backlash(q, q, q - 0.5, q)
    assert (found.value, found.low, found.high) == pytest.approx((0.5, 0.5, 0.5))
