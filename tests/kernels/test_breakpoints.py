"""End stops, range of motion and lash. All data are invented, with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels import breakpoints
from benchpipe.kernels.breakpoints import end_stop, lash, range_of_motion


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


def test_interval_covers() -> None:
    hits = 0
    for seed in range(200):
        fit = end_stop(*leg(seed=seed, n=120), "upper")
        hits += fit.low <= 14.0 <= fit.high
        assert fit.converged
        assert fit.high - fit.low < 0.15
    assert 0.915 <= hits / 200 <= 0.985


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


def test_a_bumper_needs_the_stiffening_term() -> None:
    x, load = leg(12.0, bumper=3.0)
    plain, bumper = end_stop(x, load, "upper"), end_stop(x, load, "upper", stiffening=True)
    assert bumper.low <= 12.0 <= bumper.high
    assert plain.position > 12.3
    assert bumper.s < plain.s


def test_a_stop_that_was_not_reached_is_not_converged() -> None:
    found = [end_stop(*leg(stop=20.0, seed=seed), "upper").converged for seed in range(20)]
    assert sum(found) == 0  # what noise bends is less than what the free range resists
    assert not range_of_motion(end_stop(*leg(stop=20.0), "upper"), end_stop(*leg(), "upper")).converged
    assert not end_stop([1.0, 2.0], [1.0, 2.0], "upper").converged
    assert not end_stop([1.0] * 30, [1.0] * 30, "upper").converged


@pytest.mark.parametrize("stiffening", [False, True])
def test_sums_over_the_rows_give_what_a_fit_of_all_rows_gives(stiffening: bool) -> None:
    x, load = leg(12.0, bumper=3.0, noise=0.3)
    order = np.random.default_rng(9).permutation(x.size)
    x, load = x[order] + 100.0, load[order]  # far from zero
    sums = breakpoints._Sums.of(x, load, stiffening)
    places = np.linspace(102.0, 115.5, 40)
    plain = [breakpoints._fit(x, load, at, stiffening)[1] for at in places]
    assert sums.rss(places) == pytest.approx(plain, rel=1e-8)


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
        found = lash(*branches(seed))
        hits += found.low <= 0.3 <= found.high
    assert 0.92 <= hits / 300 <= 0.985
    assert lash(*branches(0, gap=0.0)).value == pytest.approx(0.0, abs=0.02)
    assert not lash([1.0], [1.0], [1.0], [1.0]).converged


def test_lash_of_a_noiseless_joint_has_no_width() -> None:
    q = np.array([1.0, 2.0, 3.0, 4.0])
    found = lash(q, q, q - 0.5, q)
    assert (found.value, found.low, found.high) == pytest.approx((0.5, 0.5, 0.5))
