"""Mann-Kendall and Theil-Sen against two libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchpipe.kernels.rank_trend import MOST_VALUES, rank_trend

# pymannkendall 1.4.3, original_test: S, z, p, slope of numpy.random.default_rng(3) series made below.
PUBLISHED = {
    "rising": (499.0, 3.1795943495149324, 0.001474813490830451, 0.025962962962962965),
    "flat": (69.0, 0.792539357102241, 0.4280462527026885, 0.01336764705882353),
}


def series(kind: str) -> np.ndarray:
    rng = np.random.default_rng(3)
    rising = np.round(0.02 * np.arange(60) + rng.standard_normal(60), 1)
    return rising if kind == "rising" else np.round(rng.standard_normal(40), 2)


@pytest.mark.parametrize("kind", ["rising", "flat"])
def test_it_gives_what_a_library_gives(kind: str) -> None:
    y = series(kind)
    found = rank_trend(np.arange(y.size), y)
    assert (found.s, found.z, found.p, found.slope) == pytest.approx(PUBLISHED[kind], rel=1e-9, abs=1e-12)


def test_slope_and_interval_are_those_of_scipy() -> None:
    rng = np.random.default_rng(5)
    x = np.sort(rng.uniform(0, 10, 50))
    y = 0.3 * x + rng.standard_normal(50)
    expected = stats.theilslopes(y, x, 0.95)
    found = rank_trend(x, y)
    assert found.slope == pytest.approx(expected[0], rel=1e-12)
    assert found.low == pytest.approx(expected[2], abs=0.02)
    assert found.high == pytest.approx(expected[3], abs=0.02)


def test_natrellas_line_falls_in_every_pair() -> None:
    # Natrella, NBS Handbook 91, section 5-4.1; least squares slope -0.44985482.
    t = np.array([30, *range(100, 1600, 100)])
    e = [4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024, 3999]
    found = rank_trend(t, e)
    assert found.s == -120
    assert found.low <= -0.44985482 <= found.high


def test_missing_values_are_left_out_and_few_say_nothing() -> None:
    y = np.array([1.0, np.nan, 2.0, 3.0, np.inf, 4.0])
    assert rank_trend(np.arange(6), y).n_used == 4
    assert np.isnan(rank_trend([1, 2, 3], [1, 2, 3]).slope)


def test_ties_alone_are_no_trend() -> None:
    found = rank_trend(np.arange(10), np.ones(10))
    assert (found.s, found.p, found.slope) == (0.0, 1.0, 0.0)


def test_too_many_values_are_an_error() -> None:
    with pytest.raises(ValueError, match="medians of neighbours"):
        rank_trend(np.arange(MOST_VALUES + 1), np.arange(MOST_VALUES + 1))
