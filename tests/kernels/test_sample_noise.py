"""Noise of single samples, against the noise that was put on (invented signals)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchpipe.kernels.sample_noise import sample_noise


@pytest.mark.parametrize("per_cycle", [50, 100, 500])
@pytest.mark.parametrize("noise", [0.01, 0.1])
def test_the_noise_on_a_sine_is_found(per_cycle: int, noise: float) -> None:
    draw = np.random.default_rng(3)
    sine = 10.0 * np.sin(2.0 * np.pi * np.arange(10_000) / per_cycle)
    assert sample_noise(sine + noise * draw.standard_normal(10_000)) == pytest.approx(noise, rel=0.05)


def test_a_clean_sine_has_next_to_none() -> None:
    sine = 10.0 * np.sin(2.0 * np.pi * np.arange(10_000) / 50)
    assert sample_noise(sine) < 1.5 * 10.0 * (2.0 * math.pi / 50) ** 4 / math.sqrt(70.0)


def test_a_few_samples_do_not_say() -> None:
    assert math.isnan(sample_noise(np.arange(20.0)))
