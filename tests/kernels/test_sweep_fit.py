"""Parts of the free-mode resistance. All data are invented, with known truth."""

from __future__ import annotations

from math import inf, isnan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit, lsq_linear

from benchpipe.kernels.sweep_fit import breakaway, fit_resistance, local_speed

RISING, FALLING = (0.5, 0.02, 4e-4), (0.45, 0.025, 5e-4)


def legs(
    speeds: tuple[float, ...] = (2.0, 6.0, 24.0, 60.0),
    noise: float = 0.02,
    temperatures: tuple[float, ...] = (25.0,),
    thinning: float = 0.046,
    seed: int = 0,
    rising: tuple[float, float, float] = RISING,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speed, load, temperature of legs at constant speed in both directions."""
    rng = np.random.default_rng(seed)
    rows = []
    for warm in temperatures:
        for speed in speeds:
            for sign, (dry, laminar, orifice) in ((1.0, rising), (-1.0, FALLING)):
                w = speed + 0.02 * speed * rng.standard_normal(60)
                size = dry + laminar * np.exp(-thinning * (warm - 25.0)) * w + orifice * w**2
                rows.append((sign * w, sign * size + noise * rng.standard_normal(60), np.full(60, warm)))
    speed, load, warm = (np.concatenate(part) for part in zip(*rows, strict=True))
    return speed, load, warm


def test_exact_parts_are_recovered() -> None:
    speed, load, _ = legs(noise=0.0)
    fit = fit_resistance(speed, load, dead_band=0.5)
    for direction, truth in ((fit.rising, RISING), (fit.falling, FALLING)):
        parts = [part.value for part in (direction.coulomb, direction.laminar, direction.orifice)]
        assert parts == pytest.approx(truth, rel=1e-9)
    assert fit.rising.resistance(-10.0) == pytest.approx(0.5 + 0.2 + 0.04, rel=1e-9)
    assert fit.converged
    assert not fit.thinning_fitted


def test_parts_and_standard_errors_are_those_of_independent_solvers() -> None:
    # the constrained minimum by scipy's bounded-variable least squares (P. B. Stark & R. L. Parker, Comp. Stat. 10
    # (1995) 129), the errors by its Levenberg-Marquardt fit: neither is what the kernel uses
    speed, load, _ = legs(seed=3)
    fit = fit_resistance(speed, load, dead_band=0.5)
    wider = np.sqrt((fit.n_used - 6) / (fit.n_effective - 6))  # for the little correlation that is found
    assert wider < 1.02

    def law(w: np.ndarray, *p: float) -> np.ndarray:
        up, down = (np.sign(w) * (a + b * np.abs(w) + c * w**2) for a, b, c in (p[:3], p[3:]))
        return np.where(w > 0, up, down)

    ours = [p for d in (fit.rising, fit.falling) for p in (d.coulomb, d.laminar, d.orifice)]
    found, covariance = curve_fit(law, speed, load, p0=[1.0, 0.1, 1e-3] * 2)
    assert [p.value for p in ours] == pytest.approx(found, rel=1e-5)
    assert [p.standard_error for p in ours] == pytest.approx(wider * np.sqrt(np.diag(covariance)), rel=1e-4)
    bare, load_bare, _ = legs(rising=(0.5, 0.02, -2e-4), noise=0.05)  # the free minimum has a part below zero
    columns = np.column_stack([law(bare, *np.eye(6)[k]) for k in range(6)])
    bounded = lsq_linear(columns, load_bare, bounds=(0.0, np.inf), method="bvls", tol=1e-14).x
    held = fit_resistance(bare, load_bare, dead_band=0.5)
    parts = [p.value for d in (held.rising, held.falling) for p in (d.coulomb, d.laminar, d.orifice)]
    assert parts[2] == 0.0
    assert parts == pytest.approx(bounded, rel=1e-6, abs=1e-12)


def test_intervals_cover() -> None:
    hits = np.zeros(3)
    for seed in range(300):
        speed, load, _ = legs(seed=seed)
        fit = fit_resistance(speed, load, dead_band=0.5).rising
        hits += [
            part.low <= v <= part.high for part, v in zip((fit.coulomb, fit.laminar, fit.orifice), RISING, strict=True)
        ]
    assert (hits / 300 > 0.92).all()
    assert (hits / 300 < 0.985).all()


def test_several_temperatures_give_the_thinning_of_the_oil() -> None:
    speed, load, warm = legs(temperatures=(20.0, 25.0, 35.0))
    fit = fit_resistance(speed, load, dead_band=0.5, temperature_c=warm, reference_c=25.0)
    assert fit.thinning_fitted
    assert fit.thinning_low <= 0.046 <= fit.thinning_high
    assert fit.thinning_high - fit.thinning_low < 0.02
    assert fit.rising.laminar.low <= RISING[1] <= fit.rising.laminar.high
    assert fit.viscosity(40.0) == pytest.approx(np.exp(-fit.thinning * 15.0))
    blind = fit_resistance(speed, load, dead_band=0.5)
    assert blind.s > 2 * fit.s  # one viscosity for all temperatures does not fit


@given(st.integers(0, 10_000))
def test_no_part_is_ever_negative(seed: int) -> None:
    speed, load, _ = legs(noise=5.0, seed=seed)
    fit = fit_resistance(speed, load, dead_band=0.5)
    for direction in (fit.rising, fit.falling):
        for part in (direction.coulomb, direction.laminar, direction.orifice):
            assert 0.0 <= part.low <= part.value <= part.high


def test_a_part_that_is_not_there_is_not_told_from_zero() -> None:
    speed, load, _ = legs(rising=(0.5, 0.02, 0.0))
    fit = fit_resistance(speed, load, dead_band=0.5)
    assert not fit.rising.orifice.told_from_zero
    assert fit.rising.coulomb.told_from_zero
    assert fit.falling.orifice.told_from_zero


def test_one_speed_separates_nothing() -> None:
    speed = np.resize([6.0, -6.0], 200)
    load = np.sign(speed) * (0.6 + 0.01 * np.random.default_rng(1).standard_normal(200))
    fit = fit_resistance(speed, load, dead_band=0.5)
    assert fit.rising.laminar.standard_error == inf
    assert fit.rising.laminar.low == 0.0
    assert fit.rising.resistance(6.0) == pytest.approx(0.6, abs=0.01)


def test_standstill_is_left_out_and_counted() -> None:
    speed, load, _ = legs()
    with_still = np.append(speed, np.full(50, 0.1))
    fit = fit_resistance(with_still, np.append(load, np.full(50, 9.0)), dead_band=0.5)
    assert fit.n_dropped == 50
    assert fit.rising.coulomb.value == fit_resistance(speed, load, dead_band=0.5).rising.coulomb.value


def test_correlated_noise_widens() -> None:
    speed, load, _ = legs(noise=0.0)
    order = np.argsort(speed, kind="stable")
    wander = np.convolve(np.random.default_rng(2).standard_normal(order.size + 19), np.ones(20) / 20, "valid")
    fit = fit_resistance(speed[order], load[order] + 0.1 * wander, dead_band=0.5)
    assert fit.n_effective < 0.3 * fit.n_used


def test_one_direction_only_is_not_converged() -> None:
    fit = fit_resistance([5.0] * 10, [1.0] * 10, dead_band=0.5)
    assert not fit.converged
    assert isnan(fit.falling.coulomb.value)
    assert not fit_resistance([], [], dead_band=0.5).converged


def test_speed_of_a_ramp() -> None:
    t = np.arange(0.0, 1.0, 0.01)
    speed = local_speed(t, 3.0 * t, 4)
    assert speed[4:-4] == pytest.approx(3.0)
    assert np.isnan(speed[:4]).all()
    assert np.isnan(local_speed(t[:8], t[:8], 4)).all()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_breakaway_is_the_hump_at_the_start_and_no_spike(sign: float) -> None:
    x = np.concatenate([np.zeros(20), np.linspace(0.0, 10.0, 200)])
    load = 0.5 + 0.4 * np.exp(-x / 0.2)
    load[:15] = np.linspace(0.0, 0.9, 15)
    load[100] = 9.0
    found = breakaway(sign * x, sign * load, within=5.0)
    assert found.load == pytest.approx(0.9, rel=0.02)
    assert abs(found.motion) < 0.1
    assert isnan(breakaway(np.zeros(50), np.ones(50), within=0.1).load)
    assert isnan(breakaway([], [], within=0.1).load)


def test_too_few_readings_in_one_direction_fit_nothing_and_keep_what_was_asked() -> None:
    speed = np.array([1.0, 2.0, 3.0, 4.0, 5.0, -1.0, -2.0, -3.0])
    found = fit_resistance(speed, speed, dead_band=0.1, temperature_c=np.full(8, 24.0), coverage=0.9)
    assert (found.n_used, found.n_dropped, found.coverage, found.reference_c) == (8, 0, 0.9, 24.0)
    assert isnan(found.thinning)
    assert (found.thinning_fitted, found.converged) == (False, False)
