"""Coding of trends: every value decoded within half a step, no value is none, and the size stays small."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from benchpipe.views.page.coding import BLOCK, LEVELS, code_trend, decode_trend, scatter_of
from benchpipe.views.page.envelope import envelope
from tests.page.many_cycles import measured

Floats = NDArray[np.float64]
VALUES = st.floats(-1e6, 1e6, allow_nan=False, width=32) | st.just(float("nan"))


@given(arrays(np.float64, st.integers(0, 3 * BLOCK), elements=VALUES))
def test_every_value_is_decoded_within_half_a_step(values: Floats) -> None:
    coded = code_trend(values)
    back = decode_trend(coded)
    assert (np.isnan(back) == np.isnan(values)).all()
    known = np.isfinite(values)
    assert (np.abs(back - values)[known] <= 0.5 * coded.step * (1 + 1e-9)).all()
    assert coded.worst_error == pytest.approx(np.abs(back - values)[known].max(initial=0.0), abs=1e-9 * coded.step)


@pytest.mark.parametrize("n", [0, 1, 2, BLOCK, BLOCK + 1, 5000])
def test_the_length_stays(n: int) -> None:
    assert decode_trend(code_trend(np.arange(n, dtype=float))).size == n


def test_a_constant_is_exact() -> None:
    assert (decode_trend(code_trend(np.full(700, 3.25))) == 3.25).all()


def test_without_any_value_all_are_none() -> None:
    coded = code_trend(np.full(700, np.nan))
    assert np.isnan(decode_trend(coded)).all()
    assert coded.worst_error == 0.0


def test_a_spike_that_a_byte_cannot_hold_is_kept() -> None:
    values = np.random.default_rng(3).standard_normal(2000)
    values[[7, 1100]] = 1e4, -1e4
    coded = code_trend(values)
    assert np.abs(decode_trend(coded) - values).max() <= 0.5 * coded.step * (1 + 1e-9)


def test_the_step_is_never_more_than_the_scatter_of_a_cycle() -> None:
    # golden: noise of sd 1, so that the robust scatter is 1 within 2 % (200,000 values)
    values = np.random.default_rng(5).standard_normal(200_000)
    assert scatter_of(values) == pytest.approx(1.0, rel=0.02)
    coded = code_trend(values)
    assert coded.worst_error <= 0.5 * coded.scatter
    assert coded.step >= (values.max() - values.min()) / LEVELS


def test_a_trend_of_a_million_cycles_takes_less_than_four_bits_a_cycle() -> None:
    values = measured(1_000_000)["secant_stiffness"].astype(float)
    coded = code_trend(values)
    bits = 8.0 * len(coded.codes + coded.escapes + coded.medians) / values.size
    assert bits < 4.0
    assert coded.worst_error <= 0.5 * coded.scatter * (1 + 1e-9)


@given(arrays(np.float64, st.integers(1, 400), elements=VALUES), st.integers(1, 60))
def test_the_envelope_loses_no_extreme(values: Floats, columns: int) -> None:
    seen = envelope(values, columns)
    assert seen.first[0] == 1
    assert seen.last[-1] == values.size
    assert (seen.first[1:] == seen.last[:-1] + 1).all()
    known = values[np.isfinite(values)]
    if known.size:
        assert np.nanmin(seen.low) == known.min()
        assert np.nanmax(seen.high) == known.max()
    else:
        assert np.isnan(seen.low).all()
