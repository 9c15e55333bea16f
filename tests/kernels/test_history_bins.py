"""Bins of a history: no cycle lost, no gap crossed, means robust; windows that lie alike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.kernels.history_bins import FAR, history_bins, like_windows, window_weights


@settings(deadline=None)
@given(st.integers(2, 3000), st.lists(st.integers(1, 2999), max_size=10), st.integers(0, 2**32 - 1))
def test_every_cycle_lies_in_one_bin(n: int, stops: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(np.ones(n) + sum(1e5 * (np.arange(n) == s) for s in stops))
    value = rng.standard_normal(n)
    bins = history_bins(t, value)
    assert bins.first[0] == 0
    assert bins.last[-1] == n - 1
    assert np.array_equal(bins.first[1:], bins.last[:-1] + 1)
    assert bins.count.sum() == n
    assert bins.first.size <= 200
    assert np.all(bins.end_s[:-1] <= bins.start_s[1:] + 1e-6)
    assert np.all(np.diff(t)[np.setdiff1d(np.arange(n - 1), bins.last)] < 1e5)  # no stop inside a bin


def test_far_values_are_drawn_in() -> None:
    value = np.random.default_rng(2).normal(50, 0.1, 20_000)
    value[::500] = 1e6
    bins = history_bins(np.arange(20_000.0), value)
    assert np.abs(bins.mean - 50).max() < 0.1


def test_weights_of_a_window_are_its_shares() -> None:
    value = np.ones(1000)
    value[3] = np.nan
    bins = history_bins(np.arange(1000.0), value)  # five cycles a bin
    finite = np.concatenate([[0], np.cumsum(np.isfinite(value))])
    weights = window_weights(bins, finite, np.array([2]), np.array([11]))[0]
    assert weights[:4] * 9 == pytest.approx([2, 5, 2, 0])
    assert weights.sum() == pytest.approx(1)


def test_like_windows_lie_to_the_bins_as_ours() -> None:
    bins = history_bins(np.arange(20_000.0), np.ones(20_000))  # 100 cycles a bin
    ends, length = like_windows(bins, 19_985, 19_994)
    assert length == 10
    assert np.all(ends % 100 == 94)
    assert ends.size == 200
    ends, length = like_windows(bins, 10_000, 19_999)
    assert length == 500
    assert np.all(np.diff(ends) == 500)


@pytest.mark.parametrize("n", [5, 31, 5001])
def test_a_mean_is_of_values_drawn_in_to_their_median(n: int) -> None:
    value = np.random.default_rng(n).standard_normal(n)
    value[n // 2] = 1e3
    middle = np.sort(value)[n // 2]
    spread = 1.482602218505602 * np.sort(np.abs(value - middle))[n // 2]
    bins = history_bins(np.arange(float(n)), value, most=1)
    assert bins.mean == pytest.approx([np.clip(value, middle - FAR * spread, middle + FAR * spread).mean()], rel=1e-6)
