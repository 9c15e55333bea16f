"""Runs of equal samples: counted one by one, and what noise and coarse digits leave of them (invented)."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.filters import gaussian_weights
from benchpipe.kernels.loops import FIELD, measure_loops
from benchpipe.kernels.repeats import chance_repeats, most_repeats, unusual_repeats

WHOLE = np.ones(1)


def one_by_one(values: np.ndarray) -> int:
    best = run = 0
    for before, value in pairwise(values):
        run = run + 1 if value == before else 0
        best = max(best, run)
    pairs = int((values[1:] == values[:-1]).sum())
    of_two = [b - a for a in range(len(values)) for b in range(a + 1, len(values) + 1) if len({*values[a:b]}) <= 2]
    return max(best, (max(of_two) - 2) // 2) if pairs >= 2 else best


def loops(values: np.ndarray, start: np.ndarray, end: np.ndarray, weights: np.ndarray = WHOLE) -> np.ndarray:
    n, parts = len(values), np.full(len(start), 0.5)
    time_us, none = np.arange(n) * 10_000, np.empty(0, np.float32)
    return measure_loops(time_us, values, values[::-1].copy(), none, start, end, parts, parts, 0.2, 0.8, weights)


@given(st.lists(st.integers(0, 2), min_size=4, max_size=150), st.integers(2, 60), st.sampled_from(["f4", "f8"]))
def test_the_longest_run_is_that_of_counting_one_by_one(codes: list[int], size: int, dtype: str) -> None:
    values = np.array(codes, dtype)
    start = np.arange(1, len(values) - 1, size)
    end = np.minimum(start + size, len(values) - 1)
    expected = [one_by_one(values[a:b]) for a, b in zip(start, end, strict=True)]
    assert most_repeats(values, start, end).tolist() == expected
    assert loops(values, start, end)[:, FIELD["load_repeats"]].tolist() == expected
    mirrored = [one_by_one(values[::-1][a:b]) for a, b in zip(start, end, strict=True)]
    assert loops(values, start, end)[:, FIELD["motion_repeats"]].tolist() == mirrored


def test_a_run_that_flickers_between_two_digits_counts_half() -> None:
    values = np.arange(200.0)
    values[50:80] = 50.0 + np.tile([0, 1, 1], 10)  # 51 comes next
    assert most_repeats(values, np.array([0, 100]), np.array([100, 200])).tolist() == [(30 - 2) // 2, 0]
    values[60] = 7.0  # a third value ends the run
    assert most_repeats(values, np.array([0]), np.array([100])).tolist() == [(19 - 2) // 2]


def test_a_low_pass_does_not_hide_a_run() -> None:
    values = np.sin(np.arange(400) * 0.06).astype(np.float32)
    values[150:190] = values[150]
    got = loops(values, np.array([1, 140]), np.array([140, 398]), gaussian_weights(5.0, 100.0))
    assert got[:, FIELD["load_repeats"]].tolist() == [0, 39]


@pytest.mark.parametrize("steps", [2.0, 3.0, 10.0])
def test_white_noise_on_a_resting_signal_stays_below_what_chance_leaves(steps: float) -> None:
    """The same noise, and half of it: the bound holds for a channel that is twice as calm as it was."""
    rng = np.random.default_rng(int(steps))
    most = chance_repeats(steps, 1.0, 1000)
    for sd in (steps, 0.5 * steps):
        values = np.rint(sd * rng.standard_normal(400_000) + 0.3).astype(np.float32)
        start = np.arange(0, values.size, 1000)
        assert most_repeats(values, start, start + 1000).max() < most


def test_where_noise_is_below_two_digits_or_not_known_chance_has_no_bound() -> None:
    for noise, step in ((1.9, 1.0), (math.nan, 1.0), (1.0, 0.0), (0.0, 0.0)):
        assert chance_repeats(noise, step, 100.0) == math.inf
    assert chance_repeats(1000.0, 1.0, 100.0) < 5.0


def usual_bound(repeats: np.ndarray) -> float:
    return unusual_repeats(*np.unique(repeats, return_counts=True))


@pytest.mark.parametrize("digits", [10, 20, 30])
@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("dwell", [0.0, 0.2, 0.45])
def test_coarse_digits_and_dwells_are_usual(digits: int, noise: float, dwell: float) -> None:
    """Of 2,000 cycles none has a run beyond; one that is stuck for half a cycle does where there is no dwell."""
    rng = np.random.default_rng([digits, int(10 * noise), int(100 * dwell)])
    phase = (np.arange(200_000) % 100) / 100.0
    wave = -np.cos(np.pi * np.interp(phase, [0, 0.5 - dwell / 2, 0.5 + dwell / 2, 1], [0, 1, 1, 2]))
    amplitude = np.repeat(1.0 + 0.01 * rng.standard_normal(2000), 100)
    codes = np.rint(0.5 * digits * amplitude * wave + noise * rng.standard_normal(wave.size)).astype(np.float32)
    start = np.arange(0, codes.size, 100)
    repeats = most_repeats(codes, start, start + 100)
    assert repeats.max() <= usual_bound(repeats)
    if not dwell:
        assert usual_bound(repeats) < 50


def test_few_stuck_cycles_do_not_make_themselves_usual() -> None:
    repeats = np.zeros(100, np.int32)
    repeats[:9] = 25
    assert usual_bound(repeats) == 5.0
    assert usual_bound(repeats[:0]) == math.inf
