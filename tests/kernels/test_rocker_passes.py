"""Figures over passes: scatter between them, plates as blocks, ratios by Fieller."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f_oneway, ttest_1samp

from benchpipe.kernels.rocker_passes import PassesMean, mean_of_passes, radius_words, ratio_of


def test_the_interval_is_that_of_the_passes_whatever_a_fit_claims() -> None:
    # four steps of one person (published scatter of curvature: 1.09 to 2.58 1/m while each fit claims ± 0.1)
    values = np.array([1.09, 1.6, 2.1, 2.58])
    mean = mean_of_passes(values)
    interval = ttest_1samp(values, 0).confidence_interval(0.95)
    assert (mean.low, mean.high) == pytest.approx((interval.low, interval.high))
    assert mean.half > 0.6


def test_plates_are_blocks_each_counts_once() -> None:
    values, plates = np.array([1.0, 1.2, 1.1, 2.0, 2.2]), np.array([1.0, 1, 1, 2, 2])
    mean = mean_of_passes(values, plates)
    assert mean.value == pytest.approx(0.5 * (1.1 + 2.1))
    assert mean.dof == 3.0
    assert mean.half < mean_of_passes(values).half  # the step between plates is no scatter
    assert mean.plates_p == pytest.approx(f_oneway(values[:3], values[3:]).pvalue)


def test_one_pass_has_no_interval() -> None:
    mean = mean_of_passes(np.array([2.0, np.nan]))
    assert (mean.value, mean.passes) == (2.0, 1)
    assert np.isnan(mean.u)
    assert mean_of_passes(np.array([np.nan])).passes == 0


def test_fiellers_interval_of_exact_parts_is_the_textbook_one() -> None:
    top, bottom = PassesMean(1.0, 0.1, np.inf, 0.1, 9, 1), PassesMean(4.0, 0.3, np.inf, 0.3, 9, 1)
    z = 1.959964
    g = (z * 0.3 / 4.0) ** 2
    middle, half = 0.25 / (1 - g), z / 4.0 / (1 - g) * np.sqrt(0.01 * (1 - g) + 0.0625 * 0.09)
    found = ratio_of(top, bottom)
    assert (found.low, found.high) == pytest.approx((middle - half, middle + half), rel=1e-5)


def test_a_ratio_over_what_may_be_flat_is_refused() -> None:
    some = mean_of_passes(np.array([1.0, 1.1, 0.9]))
    flat = mean_of_passes(np.array([0.3, -0.4, 0.2]))
    assert not ratio_of(some, flat).known
    assert "not separable from zero" in ratio_of(some, flat).why
    assert ratio_of(flat, some).known
    assert "scatter between passes" in ratio_of(some, mean_of_passes(np.array([2.0]))).why


def test_a_ratio_covers() -> None:
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(400):
        free, locked = (
            mean_of_passes(3 + 0.3 * rng.standard_normal(4)),
            mean_of_passes(0.5 + 0.2 * rng.standard_normal(4)),
        )
        found = ratio_of(locked, free)
        hits += found.low <= 0.5 / 3 <= found.high
    assert 366 <= hits <= 393


def test_never_the_radius_of_a_flat_foot() -> None:
    flat = mean_of_passes(np.array([0.05, -0.1, 0.08, 0.1]))
    words = radius_words(flat)
    assert words.startswith("R > ")
    assert float(words[4:].split()[0]) <= 1 / flat.high  # a bound, rounded to the safe side
    curved = mean_of_passes(np.array([2.8, 2.9, 3.0]))
    assert radius_words(curved).startswith("R 0.345 m (")
    assert "hollow" in radius_words(mean_of_passes(np.array([-2.8, -2.9, -3.0])))
