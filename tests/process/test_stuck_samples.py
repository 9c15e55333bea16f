"""Samples at which load or motion is stuck, however the batches are cut (invented)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.stuck_samples import Stillness, StuckSamples
from benchpipe.kernels.repeats import stuck_samples
from benchpipe.samples.lost import Losses


def long_runs(load: np.ndarray, most: float) -> list[int]:
    """Places of all samples in runs of more than ``most`` repeats, one by one."""
    found, begin = [], 0
    for k in range(1, len(load) + 1):
        if k == len(load) or load[k] != load[begin]:
            found += range(begin, k) if k - begin - 1 > most else []
            begin = k
    return found


def taken(rule: Stillness, values: np.ndarray, cuts: list[int]) -> Losses:
    """What is found where the samples come in batches."""
    stuck = StuckSamples(rule)
    for part in np.split(np.arange(len(values)), sorted(cuts)):
        stuck.take(part.astype(np.int64), values[part])
    return stuck.found()


@given(st.lists(st.integers(0, 2), max_size=60), st.lists(st.integers(0, 60), max_size=4), st.integers(0, 5))
def test_runs_are_the_same_however_the_batches_are_cut(codes: list[int], cuts: list[int], most: int) -> None:
    load = np.array(codes, float)
    found = taken(Stillness(float(most), 1.0, beside=False), load, cuts)
    assert found.time_us.tolist() == long_runs(load, most)
    assert found.rows.sum() == len(found)


def noisy(seed: int, n: int = 2000) -> np.ndarray:
    """A slow motion with noise of ten digits (0.001)."""
    slow = 3.0 + 0.02 * np.log1p(np.arange(n) / 50.0)
    return np.round(slow + 0.01 * np.random.default_rng(seed).standard_normal(n), 3).astype(np.float32)


@given(st.integers(0, 50), st.integers(0, 1800), st.integers(0, 200), st.lists(st.integers(0, 2000), max_size=5))
def test_a_motion_that_comes_back_to_life_is_stuck_however_the_batches_are_cut(
    seed: int, first: int, size: int, cuts: list[int]
) -> None:
    values = noisy(seed)
    values[first : first + size] = values[max(first - 1, 0)]
    rule = Stillness(3.0, 0.001, beside=True)
    whole = taken(rule, values, [])
    assert taken(rule, values, cuts).time_us.tolist() == whole.time_us.tolist()
    assert whole.time_us.tolist() == np.flatnonzero(stuck_samples(values, 0.001, both_sides=True)).tolist()
    if size > 40 and 60 <= first <= 1940 - size:
        assert size + 1 <= len(whole) <= size + 3  # a neighbour may have the same value


def test_a_motion_that_comes_to_rest_is_not_stuck() -> None:
    values = noisy(1)
    values[1200:] = values[1199]
    assert not len(taken(Stillness(20.0, 0.001, beside=True), values, [500, 1500]))
    assert not stuck_samples(values, both_sides=True).any()
    assert stuck_samples(values)[1200:].all()  # a signal that cannot rest


@pytest.mark.parametrize("digit", [0.01, 0.02, 0.05])
def test_coarse_digits_repeat_and_are_not_stuck(digit: float) -> None:
    values = (np.round(noisy(2).astype(float) / digit) * digit).astype(np.float32)
    assert not stuck_samples(values).any()


def test_the_digit_is_found_beside_a_run() -> None:
    values = noisy(3)
    values[700:760] = values[699]
    found = np.flatnonzero(stuck_samples(values))
    assert (found[0], found[-1], found.size) == (699, 759, 61)


def test_noise_alone_is_never_stuck() -> None:
    """Of 400 stretches of 2,000 samples with the noise at which runs are just decided, none has one."""
    rng = np.random.default_rng(4)
    for _ in range(400):
        values = np.round(2.5 * rng.standard_normal(2000)).astype(np.float32)
        assert not stuck_samples(values, 1.0).any()


def test_without_a_bound_nothing_is_found() -> None:
    assert not len(taken(Stillness(math.inf, math.nan, beside=False), np.zeros(1000), [300]))
