"""Means over time: laws, and agreement with a plain integral of the path."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.time_means import means_over, time_mean


@given(st.integers(2, 40), st.integers(0, 10**6))
def test_a_mean_is_the_integral_of_the_path_whatever_the_spacing(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.01, 2.0, n))
    v = 3.0 - 0.5 * t
    assert time_mean(t, v) == pytest.approx(3.0 - 0.25 * (t[0] + t[-1]))  # a line: its middle
    split = int(rng.integers(0, n))
    w = rng.standard_normal(n)
    after = (t[-1] - t[split]) * time_mean(t[split:], w[split:])
    before = (t[split] - t[0]) * time_mean(t[: split + 1], w[: split + 1])
    assert time_mean(t, w) * (t[-1] - t[0]) == pytest.approx(before + after, abs=1e-9)


def test_rows_that_were_rejected_do_not_pull_the_mean() -> None:
    t = np.arange(0.0, 100.0, 0.1)
    v = np.where(t < 50.0, 20.0, 30.0)
    keep = (t >= 50.0) | (np.arange(t.size) % 10 == 0)
    assert v[keep].mean() > 28.0
    assert time_mean(t[keep], v[keep]) == pytest.approx(25.0, abs=0.1)


def test_what_is_not_known_is_bridged() -> None:
    t = np.arange(5.0)
    assert time_mean(t, np.array([1.0, np.nan, 3.0, np.nan, np.nan])) == 2.0
    assert np.isnan(time_mean(t, np.full(5, np.nan)))
    assert time_mean(np.zeros(2), np.array([1.0, 2.0])) == 1.5


def test_means_over_seconds_have_borders_between_samples() -> None:
    t = np.array([0.0, 0.7, 1.9, 2.2, 3.5])
    np.testing.assert_allclose(means_over(t, 2.0 * t, 1.0), [1.0, 3.0, 5.5])  # the last stretch is 1.5 s long
    np.testing.assert_allclose(means_over(t[:2], t[:2], 1.0), [0.35])
    whole = means_over(t, np.sin(t), 1.0) @ np.array([1.0, 1.0, 1.5]) / 3.5
    assert whole == pytest.approx(time_mean(t, np.sin(t)))
