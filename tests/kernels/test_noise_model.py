"""Noise models: the closed forms against sums over all pairs, and the mixture against its own definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm
from scipy.stats import t as student

from benchpipe.kernels.noise_mixture import (
    exponential_cross,
    exponential_sum,
    mean_covariance,
    mean_factor,
    median_factor,
    median_of_few,
    mixture_u,
)
from benchpipe.kernels.noise_model import NoiseFit, NoiseModels, bands_of, expected_periodogram, fit_noise, noise_grid


def models(tau: float, share: float, size: int = 1000, flicker: float = 0.0) -> NoiseModels:
    return NoiseModels(size, np.array([flicker]), np.array([share]), np.array([tau]), np.zeros(1))


@given(st.floats(0.3, 1e6), st.integers(1, 40), st.integers(1, 40), st.integers(0, 60))
def test_sums_over_pairs(tau: float, n: int, m: int, other: int) -> None:
    i, j = np.arange(n)[:, None], other + np.arange(m)[None, :]
    brute = np.exp(-np.abs(i - j) / tau).sum()
    assert exponential_cross(np.array([tau]), 0, n, other, m)[0] == pytest.approx(brute, rel=1e-6)
    assert exponential_cross(np.array([tau]), other, m, 0, n)[0] == pytest.approx(brute, rel=1e-6)
    alone = np.exp(-np.abs(i - i.T) / tau).sum()
    assert exponential_sum(np.array([tau]), n)[0] == pytest.approx(alone, rel=1e-6)


@given(st.floats(0.3, 500.0), st.sampled_from([20, 101, 1000]))
@settings(max_examples=30)
def test_expected_periodogram_is_the_sum_over_lags(tau: float, size: int) -> None:
    bands = bands_of(size, 0)
    k = np.arange(size)
    j = bands.sampled[:, None]
    terms = np.exp(-k / tau) * (1 - k / size) * np.cos(2 * np.pi * j * k / size)
    brute = 2 * terms.sum(axis=1) - 1
    found = expected_periodogram(size, np.array([tau]), bands)[0]
    assert found == pytest.approx(np.add.reduceat(brute, bands.starts) / bands.taken, rel=1e-7, abs=1e-9)


def test_bands_hold_every_ordinate_once() -> None:
    for size, dropped in ((20, 0), (21, 1), (500, 3), (2_000_000, 6)):
        bands = bands_of(size, dropped)
        assert bands.counts.sum() == (size - 1) // 2 - dropped
        assert bands.sampled.size <= 24 * bands.counts.size


def test_variance_of_a_mean_of_white_readings_is_one_over_n() -> None:
    assert mean_factor(models(5.0, 0.0), 50)[0] == pytest.approx(1 / 50)
    assert mean_covariance(models(5.0, 0.0), 0, 10, 5, 10)[0] == pytest.approx(5 / 100)
    assert mean_covariance(models(5.0, 0.0), 0, 10, 10, 10)[0] == 0


def test_median_of_white_readings() -> None:
    # n = 3: 0.4487 of a reading's variance (David & Nagaraja, Order Statistics, table of variances; [M] from memory,
    # not verified), and here by integration of the middle reading's density 6 F (1 − F) f.
    exact = quad(lambda x: x * x * 6 * norm.cdf(x) * norm.sf(x) * norm.pdf(x), -12, 12)[0]
    assert exact == pytest.approx(0.4487, abs=5e-5)
    assert median_factor(models(5.0, 0.0), 3)[0] == pytest.approx(exact, rel=1e-4)
    assert median_factor(models(5.0, 0.0), 100_000)[0] == pytest.approx(np.pi / 2 / 100_000, rel=1e-3)
    assert median_of_few(2) == pytest.approx(2 / np.pi)


def test_median_of_correlated_readings_against_simulation() -> None:
    rng = np.random.default_rng(4)
    for rho, share, n in ((0.5, 1.0, 5), (0.9, 0.5, 10), (0.9, 1.0, 41), (0.99, 1.0, 41)):
        lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        root = np.linalg.cholesky(share * rho**lag + (1 - share) * np.eye(n) + 1e-12 * np.eye(n))
        seen = float(np.var(np.median(root @ rng.standard_normal((n, 20_000)), axis=0)))
        found = float(median_factor(models(-1 / np.log(rho), share), n)[0])
        assert seen * 0.94 < found < seen * 1.13, (rho, share, n)


def test_one_noise_gives_its_own_u_and_dof() -> None:
    fit = NoiseFit(models(5.0, 0.0), np.ones(1), np.array([4.0]), 50)
    u, dof = mixture_u(fit, np.array([0.25]), 17.0)
    assert u == pytest.approx(1.0, rel=1e-6)
    assert dof == pytest.approx(17.0, rel=1e-6)


def test_a_mixture_keeps_its_quantile_at_the_guard() -> None:
    two = NoiseModels(100, np.zeros(2), np.zeros(2), np.ones(2), np.zeros(2))
    weight = np.array([0.9, 0.1])
    u, dof = mixture_u(NoiseFit(two, weight, np.array([1.0, 100.0]), 50), np.ones(2), 1e5)
    guard = float(student.ppf(0.97725, dof)) * u
    assert float(weight @ norm.cdf(guard / np.array([1.0, 10.0]))) == pytest.approx(0.97725, abs=1e-4)
    assert dof < 5


@pytest.mark.parametrize("tau", [0.0, 10.0])
def test_finds_the_noise_of_a_long_block(tau: float) -> None:
    rng = np.random.default_rng(7)
    rho = np.exp(-1 / tau) if tau else 0.0
    drive = rng.standard_normal(20_000) * np.sqrt(1 - rho**2)
    values = np.empty(drive.size)
    last = rng.standard_normal()
    for k, step in enumerate(drive):
        values[k] = last = rho * last + step
    fit = fit_noise(values)
    true = mean_factor(models(max(tau, 1.0), float(tau > 0), 20_000), 2000)[0]
    assert float(fit.weight @ (fit.variance * mean_factor(fit.models, 2000))) == pytest.approx(true, rel=0.15)
    best = int(np.argmax(fit.weight))
    if tau:
        assert fit.models.tau[best] == pytest.approx(tau, rel=0.2)


def test_blocks_of_one_length_share_their_grid() -> None:
    assert noise_grid(300, 0) is noise_grid(300, 0)
