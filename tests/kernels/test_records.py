"""What a record holds (invented signals)."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.records import record_kind


def wave(begin: float, turns: float, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """A sine of so many turns, 200 samples each."""
    phase = begin + np.linspace(0.0, turns, max(round(200 * turns), 2))
    return np.asarray(-np.cos(2 * np.pi * phase) + noise * np.random.default_rng(seed).uniform(-1, 1, phase.size))


SEEDS = st.integers(0, 1000)


@given(st.floats(0, 1), st.floats(0.0, 0.1), st.floats(0.1, 1e6), SEEDS)
def test_one_turn_is_a_loop_wherever_it_begins(begin: float, noise: float, size: float, seed: int) -> None:
    assert record_kind(size * wave(begin, 1.0, noise, seed), 1.0, 1.0) == "loop"


@given(st.floats(0, 1), st.floats(1.76, 9.0), st.floats(0.0, 0.1), SEEDS)
def test_more_turns_are_several(begin: float, turns: float, noise: float, seed: int) -> None:
    assert record_kind(wave(begin, turns, noise, seed), turns, 1.0) == "several"
    if turns >= 2.0:  # by the crossings alone
        assert record_kind(wave(begin, turns, noise, seed), turns, float("nan")) == "several"


@given(st.floats(0, 1), st.floats(0.1, 0.6), st.floats(0.0, 0.05), SEEDS)
def test_less_than_a_turn_is_no_loop(begin: float, turns: float, noise: float, seed: int) -> None:
    assert record_kind(wave(begin, turns, noise, seed), turns, 1.0) != "loop"


def test_a_ramp_up_is_one_and_a_ramp_down_is_none() -> None:
    assert record_kind(wave(0.0, 0.5), 0.5, 1.0) == "ramp"
    assert record_kind(np.linspace(0.0, 1.0, 50), 10.0, 10.0) == "ramp"
    assert record_kind(wave(0.5, 0.5), 0.5, 1.0) == "part"
    assert record_kind(np.ones(5), 1.0, 1.0) == "loop"
