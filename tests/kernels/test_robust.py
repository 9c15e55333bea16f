"""Robust and binned statistics against certified values and their own laws."""

from __future__ import annotations

from math import isnan
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from benchpipe.kernels.robust import (
    binned_medians,
    effective_size,
    lag1_autocorrelation,
    mad_sigma,
    median,
    runs_test,
)


def test_beam_deflections_of_the_handbook(open_data: Path) -> None:
    # NIST StRD univariate, set Lew: lag-1 autocorrelation is certified.
    y = np.loadtxt(open_data / "nist_ehandbook" / "LEW.DAT", skiprows=25)
    rho = lag1_autocorrelation(y)
    assert rho == pytest.approx(-0.307304800605679, rel=1e-14)
    assert effective_size(200, rho) == 200
    # e-Handbook §1.3.5.13 runs test of these data, Z = 2.6938: [M] from memory, not verified.
    assert runs_test(y - median(y)).z == pytest.approx(2.6938, abs=5e-5)


def test_effective_size_of_positive_correlation() -> None:
    assert effective_size(300, 0.5) == pytest.approx(100.0)
    assert effective_size(300, 0.0) == 300


def test_median_and_mad_skip_what_is_not_a_number() -> None:
    assert median([np.nan, 3.0, 1.0, np.inf]) == 2.0
    assert isnan(median([]))
    assert isnan(mad_sigma([]))
    rng = np.random.default_rng(0)
    sample = rng.normal(5.0, 2.0, 100_000)
    sample[:1000] = 1e6
    assert mad_sigma(sample) == pytest.approx(2.0, rel=0.03)


finite = st.floats(-1e6, 1e6)


@given(arrays(np.float64, st.integers(1, 80), elements=finite), st.integers(1, 7))
def test_bins_agree_with_numpy_one_by_one(y: np.ndarray, bins: int) -> None:
    x = np.arange(y.size, dtype=float)
    edges = np.linspace(0, y.size, bins + 1)
    medians = binned_medians(x, y, edges)
    assert medians.count.sum() == y.size
    for k in range(bins):
        rows = y[(x >= edges[k]) & (x < edges[k + 1])]
        assert medians.count[k] == rows.size
        if rows.size:
            assert medians.value[k] == pytest.approx(np.median(rows), rel=1e-15)
            assert medians.spread[k] == pytest.approx(mad_sigma(rows), rel=1e-12, abs=1e-12)
        else:
            assert isnan(medians.value[k])


def test_runs_test_sees_a_pattern() -> None:
    rng = np.random.default_rng(1)
    assert runs_test(np.sin(np.linspace(0, 6.28, 60))).p_few < 1e-6
    assert runs_test(np.resize([1.0, -1.0], 40)).p_few > 0.999
    few = np.mean([runs_test(rng.standard_normal(60)).p_few < 0.05 for _ in range(2000)])
    assert 0.03 <= few <= 0.07
    assert isnan(runs_test([1.0, 2.0, 3.0]).z)
