"""The covariance of averages, and the noise found from how they scatter. Data are invented."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from benchpipe.kernels.creep_noise import (
    NoiseResult,
    averages_covariance,
    averages_noise,
    white_noise,
)
from benchpipe.kernels.robust import log_averages

T = np.arange(1.0, 1801.0)


def slow_noise(rng: np.random.Generator, holds: int, rho: float, share: float) -> np.ndarray:
    """Noise of variance 1 in rows of 1800 readings, 1 s apart."""
    drive = rng.standard_normal((holds, T.size))
    drive[:, 0] /= np.sqrt(1 - rho**2)
    slow = lfilter([np.sqrt(1 - rho**2)], [1.0, -rho], drive, axis=1)
    return np.sqrt(share) * slow + np.sqrt(1 - share) * rng.standard_normal((holds, T.size))


@pytest.mark.parametrize(("rho", "share"), [(0.9, 1.0), (0.95, 0.5)])
def test_covariance_is_that_of_the_averages(rho: float, share: float) -> None:
    rows = slow_noise(np.random.default_rng(1), 3000, rho, share)
    means = np.array([log_averages(T, row, start=10.0).value for row in rows])
    bins = log_averages(T, rows[0], start=10.0)
    noise = NoiseResult(share, -1 / np.log(rho), 0.0, 1.0, True)
    expected = averages_covariance(bins.position, bins.count, noise)
    assert np.cov(means.T) == pytest.approx(expected, abs=0.07)
    assert np.var(means, axis=0) / np.diag(expected) == pytest.approx(1.0, abs=0.12)
    np.linalg.cholesky(expected)


def test_covariance_of_white_noise_is_one_over_count() -> None:
    bins = log_averages(T, T)
    noise = white_noise(bins.position, bins.count)
    assert noise.interval_s == pytest.approx(1.0)
    assert averages_covariance(bins.position, bins.count, noise) == pytest.approx(np.diag(1 / bins.count))


@pytest.mark.parametrize(("rho", "share", "worth"), [(0.0, 1.0, 1.0), (0.8, 1.0, 9.0), (0.95, 0.4, 16.2)])
def test_noise_is_found_from_the_averages_alone(rho: float, share: float, worth: float) -> None:
    found = []
    for row in slow_noise(np.random.default_rng(2), 40, rho, share):
        bins = log_averages(T, row, start=10.0)
        tangent = np.stack([np.ones_like(bins.position), np.log(bins.position), bins.position], axis=1)
        noise, covariance = averages_noise(bins.position, bins.value, bins.count, tangent)
        found.append(noise.readings_per_independent)
        np.linalg.cholesky(covariance)
    assert np.median(found) == pytest.approx(worth, rel=0.4)  # the truth: 1 + 2·share·ρ/(1 − ρ)


def test_few_averages_are_taken_as_white() -> None:
    t, n = np.arange(1.0, 11.0), np.ones(10)
    noise, covariance = averages_noise(t, t, n, np.ones((10, 1)))
    assert not noise.measured
    assert covariance == pytest.approx(np.eye(10))
