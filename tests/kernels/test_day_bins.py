"""Bins of time: every cycle in one bin, robust figures, the grid of the log's own time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.day_bins import FEWEST_SCATTER, bin_figures, time_bins


@given(st.lists(st.integers(0, 10**9), min_size=0, max_size=60), st.integers(1, 10**8))
def test_every_cycle_is_in_the_bin_of_its_time(times: list[int], width: int) -> None:
    start = np.sort(np.array(times, np.int64))
    bins = time_bins(start, width)
    covered = [i for a, b in zip(bins.first, bins.last, strict=True) for i in range(a, b + 1)]
    assert covered == list(range(start.size))
    for k, (a, b) in enumerate(zip(bins.first, bins.last, strict=True)):
        assert (start[a : b + 1] // width == bins.index[k]).all()


def test_figures_of_normal_values() -> None:
    rng = np.random.default_rng(1)
    v = 50 + 0.3 * rng.standard_normal(7200) + np.linspace(0, 5, 7200)  # wear inside the bin is not in the scatter
    found = bin_figures(time_bins(np.arange(7200) * 1_000_000, 3_600_000_000), v)
    assert found.count.tolist() == [3600, 3600]
    assert found.scatter == pytest.approx([0.3, 0.3], rel=0.05)
    assert found.median == pytest.approx([np.median(v[:3600]), np.median(v[3600:])], rel=1e-12)


def test_a_spike_hardly_moves_the_mean() -> None:
    rng = np.random.default_rng(2)
    v = 1 + 0.01 * rng.standard_normal(100)
    plain = bin_figures(time_bins(np.arange(100), 1000), v)
    v[50] = 100.0
    spiked = bin_figures(time_bins(np.arange(100), 1000), v)
    assert abs(spiked.mean[0] - plain.mean[0]) < 0.002
    assert spiked.scatter[0] == pytest.approx(plain.scatter[0], rel=0.1)


def test_missing_values_are_counted_out() -> None:
    v = np.array([np.nan, 1.0, 2.0, np.inf, np.nan, np.nan])
    found = bin_figures(time_bins(np.array([0, 1, 2, 3, 10, 11]), 10), v)
    assert found.count.tolist() == [2, 0]
    assert found.mean[0] == 1.5
    assert np.isnan(found.mean[1])
    assert np.isnan(found.scatter).all()
    assert FEWEST_SCATTER > 2
