"""Covariance and noise of averages, and what other channels have moved. Data are invented."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
from scipy.signal import lfilter

from benchpipe.kernels.creep_noise import (
    NoiseResult,
    averages_covariance,
    averages_noise,
    channel_coefficient,
    correction,
    white_noise,
)
from tests.kernels.averaged import log_averages

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


@pytest.mark.parametrize("rho", [0.7, 0.99])
def test_readings_that_become_sparse_have_their_own_covariance(rho: float) -> None:
    """Every fifth reading is left from 200 s on: averages of one common interval would overlap."""
    kept = (T <= 200) | (T % 5 == 0)
    rows = slow_noise(np.random.default_rng(1), 3000, rho, 1.0)
    pieces = np.array_split(np.flatnonzero(kept), 40)
    means = np.array([rows[:, piece].mean(axis=1) for piece in pieces])
    position, count = (np.array(v, float) for v in zip(*((T[p].mean(), p.size) for p in pieces), strict=True))
    noise = NoiseResult(1.0, -1 / np.log(rho), 0.0, white_noise(position, count).interval_s, True)
    expected = averages_covariance(position, count, noise)
    np.linalg.cholesky(expected)
    beside = [np.diff(T[pieces[k - 1][0] : pieces[k + 1][-1] + 1][kept[pieces[k - 1][0] : pieces[k + 1][-1] + 1]])
              for k in range(1, 39)]  # steps of its neighbours too
    even = 1 + np.flatnonzero([np.ptp(steps) == 0.0 for steps in beside])
    assert np.cov(means[even]) == pytest.approx(expected[np.ix_(even, even)], abs=0.07)
    assert (np.var(means, axis=1) < 1.1 * np.diag(expected)).all()  # where it changes, the denser one counts


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


CREEP = {
    "log": 0.06 * np.log10(T),
    "Kelvin": 0.2 * -np.expm1(-T / 300),
    "leak": 1e-4 * T,
    "power": 0.02 * T**0.3,
}
PER_KELVIN = 0.02


@pytest.mark.parametrize("creep", CREEP.values(), ids=CREEP)
def test_a_swinging_temperature_gives_its_coefficient_beside_any_creep(creep: np.ndarray) -> None:
    swing = np.sin(2 * np.pi * T / 600)
    rng, hits, holds = np.random.default_rng(3), 0, 40
    for row in slow_noise(rng, holds, 0.8, 1.0):
        bins = log_averages(T, creep + PER_KELVIN * swing + 0.005 * row, start=10.0)
        warm = log_averages(T, swing + 0.05 * rng.standard_normal(T.size), start=10.0).value
        found = channel_coefficient(bins.position, bins.value, warm, bins.count, channel_noise=0.05)
        assert found.converged
        assert found.told_from_zero
        assert found.high - found.low < 0.006
        hits += found.low <= PER_KELVIN <= found.high
    assert hits >= 35


@pytest.mark.parametrize("drift", [np.log10(T), T / 900, -3 * np.expm1(-T / 400)], ids=["log", "linear", "warm-up"])
def test_a_channel_that_drifts_as_creep_does_gives_no_coefficient(drift: np.ndarray) -> None:
    rng = np.random.default_rng(4)
    for row in slow_noise(rng, 10, 0.8, 1.0):
        bins = log_averages(T, CREEP["log"] + PER_KELVIN * drift + 0.005 * row, start=10.0)
        warm = log_averages(T, drift + 0.05 * rng.standard_normal(T.size), start=10.0).value
        found = channel_coefficient(bins.position, bins.value, warm, bins.count, channel_noise=0.05)
        assert not found.converged
        assert isnan(found.value)
        assert not found.told_from_zero


def test_noise_of_the_channel_does_not_draw_the_coefficient_to_zero() -> None:
    swing, noise = np.sin(2 * np.pi * T / 600), 0.6
    rng, known, ignored = np.random.default_rng(5), [], []
    for _ in range(60):
        bins = log_averages(T, swing + 0.5 * rng.standard_normal(T.size), start=10.0)
        warm = log_averages(T, swing + noise * rng.standard_normal(T.size), start=10.0).value
        for kept, said in ((known, noise), (ignored, 0.0)):
            found = channel_coefficient(bins.position, bins.value, warm, bins.count, channel_noise=said)
            kept.append(found.value)
    assert np.mean(known) == pytest.approx(1.0, abs=0.015)
    assert np.mean(ignored) < 0.98


def test_too_little_to_measure_a_coefficient_from() -> None:
    t = np.geomspace(10.0, 1800.0, 30)
    assert not channel_coefficient(t[:8], t[:8], np.sin(t[:8]), channel_noise=0.0).converged
    assert not channel_coefficient(t, t, np.full(30, 21.0), channel_noise=0.0).converged
    assert not channel_coefficient(t, t, np.full(30, np.nan), channel_noise=0.0).converged


def test_a_correction_is_coefficient_times_change_with_its_size() -> None:
    t = np.array([10.0, 20.0, 40.0, 80.0])
    found = correction("temperature", t, [20.0, np.nan, 23.0, 19.0], 0.02, 0.005)
    assert found.moved == pytest.approx([0.0, 0.02, 0.06, -0.02])
    assert found.error == pytest.approx([0.0, 0.005, 0.015, -0.005])
    assert (found.reference, found.size, found.by_end) == pytest.approx((20.0, 0.06, -0.02))
    other = correction("load", t, [50.0, 51.0, 50.0, 49.0], 0.1, reference=40.0)
    assert other.moved == pytest.approx([1.0, 1.1, 1.0, 0.9])
    assert (other.size, other.by_end) == pytest.approx((0.1, -0.1))
    nothing = correction("temperature", t, np.full(4, np.nan), 0.02)
    assert np.isnan(nothing.moved).all()
    assert isnan(nothing.size)
    assert isnan(correction("load", [], [], 0.1).size)
