"""Lagged temperatures against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from benchpipe.kernels.temperature_lag import _filtered, temperature_series

LAGS = np.array([0.0, 600.0, 3600.0])


def test_ramp_is_followed_late_by_its_lag() -> None:
    # A ramp that has run for ever: T(t − lag), exactly (its mirror image is the ramp itself, cut at its range).
    t = np.arange(0.0, 200_000.0, 10.0)
    found = temperature_series(t, 20 + t * 1e-4).behind(LAGS)
    at = np.array([50_000.0, 150_000.0])
    mean = found.mean(at - 100, at + 100)
    assert mean == pytest.approx(20 + (at[None, :] - LAGS[:, None]) * 1e-4, abs=1e-4)


def test_the_filter_is_that_of_scipy() -> None:
    series = np.random.default_rng(3).normal(20, 1, 500)
    made, _ = lfilter([0.4, 0.1], [1.0, -0.5], series, zi=[19.0 - 0.4 * series[0]])
    assert _filtered(series, 0.5, 0.4, 0.1, 19.0) == pytest.approx(made, abs=1e-13)


def test_sine_by_its_phase_and_gain() -> None:
    w, t = 2 * np.pi / 86400, np.arange(0.0, 3 * 86400.0, 20.0)
    found = temperature_series(t, 23 + 4 * np.sin(w * t + 1)).behind(LAGS)
    at = np.arange(20_000.0, 250_000.0, 10_000.0)
    phase = np.arctan(w * LAGS)[:, None]
    true = 23 + 4 * np.cos(phase) * np.sin(w * at[None, :] + 1 - phase)
    assert found.mean(at, at) == pytest.approx(true, abs=0.02)
    # Where the specimen comes from is guessed by the mirror image; as if at rest it were wrong by 0.16 and 0.9 K.
    begun = 23 + 4 * np.cos(phase) * np.sin(w * 100 + 1 - phase)
    assert np.all(np.abs(found.mean(np.array([50.0]), np.array([150.0])) - begun) < 0.02 + 2 * found.begin_u[:, None])
    assert found.begin_u[1] < 0.02
    assert found.begin_u[0] == 0
    # The mirror image is wrong by about the curvature: lag² w² amplitude, and less for a short lag.
    assert 0.1 < found.begin_u[2] / (2 * 4 * (w * 3600) ** 2 / np.sqrt(2)) < 2
    assert found.begin_u[1] < 0.1 * found.begin_u[2]


def test_spikes_and_missing_readings_are_looked_past() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(3000.0)
    clean = 23 + np.sin(t / 500)
    spoilt = clean.copy()
    spoilt[rng.integers(0, 3000, 15)] = 150.0
    spoilt[rng.random(3000) < 0.1] = np.nan
    found = temperature_series(t, spoilt).behind(np.array([0.0]))
    at = np.arange(50.0, 2950.0, 100.0)
    assert found.mean(at - 20, at + 20)[0] == pytest.approx(23 + np.sin(at / 500), abs=0.02)
