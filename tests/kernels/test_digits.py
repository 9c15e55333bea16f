"""The step of a channel's last digit, from values (invented)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.kernels.digits import range_of_parts, smallest_step

SEED = st.integers(0, 2**32 - 1)


def wave(seed: int, steps: float, noise: float, n: int = 4000) -> np.ndarray:
    """A noisy wave of so many steps from valley to peak, with a step of 1."""
    rng = np.random.default_rng(seed)
    return np.asarray(0.5 * steps * np.sin(2 * np.pi * np.arange(n) / 173.3) + noise * rng.standard_normal(n))


@settings(max_examples=80)
@given(SEED, st.floats(2.0, 3000.0), st.floats(0.0, 5.0), st.floats(-6, 3), st.floats(-100, 100))
def test_the_step_of_a_quantised_wave(seed: int, steps: float, noise: float, decade: float, offset: float) -> None:
    step = 10.0**decade
    values = (step * (np.rint(wave(seed, steps, noise)) + np.rint(offset))).astype(np.float32)
    assert smallest_step(values) == pytest.approx(step, rel=1e-3)


@settings(max_examples=40)
@given(SEED, st.floats(0.0, 1e4), st.floats(0.01, 1e3), st.floats(-1e4, 1e4))
def test_continuous_values_have_no_step(seed: int, steps: float, noise: float, offset: float) -> None:
    values = wave(seed, steps, noise) + offset
    assert smallest_step(values.astype(np.float32)) == 0.0


def test_steps_that_grow_with_the_value_are_none() -> None:
    """A channel calibrated by a curve: its last digit is no one step."""
    codes = np.rint(wave(1, 4000.0, 3.0) + 3000.0)
    assert smallest_step((1e-3 * codes**1.5).astype(np.float32)) == 0.0


def test_a_value_that_hardly_changes_shows_nothing() -> None:
    values = np.zeros(10_000, np.float32)
    assert smallest_step(values) is None
    values[::400] = 0.01
    assert smallest_step(values[:5000]) is None
    assert smallest_step(values) == pytest.approx(0.01)
    assert smallest_step(values[:0]) is None


def test_a_few_values_between_the_steps_change_nothing() -> None:
    """Such as a mean over a restart, or a value that was filled in."""
    values = (0.01 * np.rint(wave(3, 400.0, 1.0))).astype(np.float32)
    values[[500, 1500, 2500]] += np.float32(0.0037)
    assert smallest_step(values) == pytest.approx(0.01, rel=1e-3)


def test_the_range_of_a_cycle_is_that_of_the_middle_one() -> None:
    values = np.concatenate([np.zeros(100), np.tile([0.0, 3.0, 1.0, -1.0], 100), [50.0, 0.0, 0.0, 0.0]])
    assert range_of_parts(values, 4) == 4.0
    assert range_of_parts(values, 10_000) == 51.0
    assert range_of_parts(values[:0], 4) == 0.0
