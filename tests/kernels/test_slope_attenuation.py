"""Slopes of load on motion with noisy motion, simulated, against the bound. All data are invented."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.slope_attenuation import attenuation, attenuation_u, motion_noise


def fitted(load: np.ndarray, motion: np.ndarray) -> float:
    """Slope of least squares."""
    return float(np.polyfit(motion, load, 1)[0])


@pytest.mark.parametrize(("noise", "samples"), [(0.01, 200), (0.05, 200), (0.15, 200), (0.3, 40), (0.15, 12)])
def test_an_even_branch_is_attenuated_by_the_ratio(noise: float, samples: int) -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(0.0, 1.0, samples)
    slopes = [fitted(20.0 * x, x + noise * rng.standard_normal(samples)) for _ in range(2000)]
    lost, error = 1.0 - np.mean(slopes) / 20.0, np.std(slopes) / 20.0 / np.sqrt(2000)
    bound = float(attenuation(noise, 1.0, samples))
    assert lost < bound + 3 * error  # a bound
    assert lost > bound * (1.0 - 6.0 / samples) - 3 * error  # and no loose one


def test_a_sine_in_its_band_is_attenuated_by_less_and_one_sided_u_covers() -> None:
    rng = np.random.default_rng(4)
    turns = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 101)
    true = 2.0 * np.sin(turns)  # motion; load 15 x
    for noise in (0.02, 0.1, 0.3):
        band = np.abs(true) <= 0.6 * 2.0
        x = true[band]
        slopes = [fitted(15.0 * x, x + noise * rng.standard_normal(x.size)) for _ in range(1000)]
        lost = 1.0 - np.mean(slopes) / 15.0
        bound = float(attenuation(noise, 2.4, x.size))
        assert 0.7 * bound - 0.002 < lost < bound + 0.002
        assert lost <= 2.0 * float(attenuation_u(noise, 2.4, x.size))


def test_what_is_missing_has_no_bias_and_what_leaves_nothing_has_all() -> None:
    assert np.isnan(attenuation([np.nan, 0.1, 0.1], [1.0, np.nan, 1.0], [50, 50, 1])).all()
    np.testing.assert_allclose(attenuation([0.0, 0.1, 0.0], [1.0, 0.0, 0.0], 50), [0.0, 1.0, 0.0])
    assert attenuation(0.1, 1.0, 50).shape == ()


@pytest.mark.parametrize("lock_step", [None, 0.5])
def test_noise_from_closure_errors_is_an_upper_bound(lock_step: float | None) -> None:
    rng = np.random.default_rng(5)
    cycles, sd = 4000, 0.02
    part = rng.uniform(0, 1, (cycles, 2)) if lock_step is None else np.full((cycles, 2), lock_step)
    ends = (1 - part) * rng.standard_normal((cycles, 2)) + part * rng.standard_normal((cycles, 2))
    found = motion_noise(sd * (ends[:, 1] - ends[:, 0]))
    assert sd * 0.95 < found < sd * 1.45
    assert motion_noise([0.0] * 10, 0.003) == 0.003
    assert motion_noise([0.1, 0.2], 0.003) == 0.003
    assert np.isnan(motion_noise([0.1, np.nan]))


@pytest.mark.parametrize("samples", [2, 5, 40])
def test_the_spread_in_a_band_is_that_of_samples_evenly_over_it(samples: int) -> None:
    spread, noise = float(np.var(np.linspace(0.0, 3.0, samples))), 0.4
    assert float(attenuation(noise, 3.0, samples)) == pytest.approx(noise**2 / (spread + noise**2), rel=1e-12)
