"""Drift and range of invented stance windows: what the intervals cover, and what they cannot."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import linregress

from benchpipe.kernels.stance import measure_stance

RATE, DRIFT = 50, 2e-4


def noise(n: int, memory_s: float, rng: np.random.Generator) -> np.ndarray:
    """White noise of 0.3 beside slow noise of 1 with an exponential memory."""
    slow = np.exp(-1 / RATE / memory_s) if memory_s else 0.0
    x = np.sqrt(1 - slow**2) * rng.standard_normal(n)
    x[0] /= np.sqrt(1 - slow**2)
    return np.asarray(lfilter([1.0], [1.0, -slow], x) + 0.3 * rng.standard_normal(n))


@pytest.mark.parametrize(("window_s", "memory_s"), [(8, 0.0), (8, 0.3), (30, 1.0)])
def test_the_drift_is_covered_where_the_memory_of_the_noise_is_short(window_s: int, memory_s: float) -> None:
    rng = np.random.default_rng(1)
    n, hits, plain = window_s * RATE, 0, 0
    time = np.arange(n) / RATE
    for _ in range(60):
        motion = 1e-3 * noise(n, memory_s, rng) + DRIFT * time
        found = measure_stance(time, motion, np.zeros(n))
        hits += found.drift_low <= DRIFT <= found.drift_high
        line = linregress(time, motion)  # takes readings for independent
        plain += abs(line.slope - DRIFT) <= 1.97 * line.stderr
    assert hits / 60 > 0.88  # 95 %, less three standard errors
    assert plain / 60 < (0.6 if memory_s else 1.01)


def test_without_memory_it_is_the_line_of_least_squares() -> None:
    rng = np.random.default_rng(2)
    time = np.arange(1500) / RATE
    motion = 1e-3 * rng.standard_normal(1500) + DRIFT * time
    found, line = measure_stance(time, motion, np.zeros(1500)), linregress(time, motion)
    assert found.drift == pytest.approx(line.slope, abs=0.2 * line.stderr)
    assert 0.8 * line.stderr < found.drift_error < 2 * line.stderr


def test_slow_noise_is_told() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(400) / RATE
    memories = (1.0, 1.0, 1.0, 0.0, 0.0, 0.0)
    slow = [measure_stance(time, noise(400, m, rng), np.zeros(400)).slow_noise_s for m in memories]
    assert min(slow[:3]) > 0.3 > max(slow[3:])
    assert max(slow[:3]) > 0.5  # memories longer than a twentieth of the window are looked for


@pytest.mark.parametrize("n", [0, 1, 19])
def test_few_readings_measure_nothing(n: int) -> None:
    found = measure_stance(np.arange(n) / RATE, np.arange(n) * 1.0, np.zeros(n))
    assert not found.converged
    assert np.isnan(found.drift)
    assert np.isnan(found.span)


def test_the_95_per_cent_range_scatters_by_its_uncertainty() -> None:
    rng = np.random.default_rng(4)
    time = np.arange(400) / RATE
    found = [measure_stance(time, rng.standard_normal(400), np.zeros(400)) for _ in range(60)]
    scatter = np.std([f.span_95 for f in found], ddof=1)
    assert np.median([f.span_95_u for f in found]) == pytest.approx(scatter, rel=0.3)


def test_readings_that_become_sparse_inside_a_window_are_measured() -> None:
    rng = np.random.default_rng(4)
    time = np.concatenate((np.arange(0.0, 1.0, 0.025), np.arange(1.0, 8.0, 0.125)))
    found = measure_stance(time, 1e-3 * rng.standard_normal(time.size) + DRIFT * time, np.zeros(time.size))
    assert found.converged
    assert found.drift_low <= DRIFT <= found.drift_high
