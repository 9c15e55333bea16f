"""Peaks, valleys and loops against what others say of the same signals (invented, but for the example of ASTM E1049).

- Rainflow: the example of ASTM E1049 (history -2 1 -3 5 -1 3 -4 4 -2; ranges 3, 4, 6, 8, 9 have 0.5, 1.5, 0.5, 1.0,
  0.5 cycles [M: from memory, not verified against the standard]), and the `rainflow` package on drawn histories.
- SciPy's peak finder on clean signals.
- A bilinear loop: a spring k_2 beside a Jenkins element (stiffness k_1 - k_2, slips at F_s) dissipates
  4 F_s (X - F_s / (k_1 - k_2)) a cycle of half-range X: its parallelogram's area, elementary geometry.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import rainflow
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import find_peaks

from benchpipe.kernels.boundaries import CLOSED, FRESH, bounds_of, find_boundaries
from benchpipe.kernels.loops import FIELD, measure_loops

NO_FILTER = np.ones(1)
E1049 = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
E1049_COUNTS = {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}


def measured(load: np.ndarray, motion: np.ndarray, low: float, high: float) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """First samples of the closed cycles and their measures."""
    time_us = np.arange(load.size, dtype=np.int64) * 1000
    events, _ = find_boundaries(time_us, load, 0, low, high, 10**12, 10**12, FRESH)
    a, b, *parts, _, _ = bounds_of(events[events[:, 2] == CLOSED].copy(), load, high)
    none = np.empty(0)
    rows = measure_loops(time_us, load, motion, none, a, b, parts[0], parts[1], 0.2, 0.8, NO_FILTER)
    return a, {name: rows[:, i] for name, i in FIELD.items()}


def through(turns: list[float], between: int = 20) -> np.ndarray:
    """A signal that goes straight from each reversal to the next, and at the end through one more cycle."""
    pieces = [np.linspace(a, b, between, endpoint=False) for a, b in pairwise([*turns, 0.0, -1e-3, 20.0, -1e-3, 20.0])]
    return np.concatenate(pieces)


def our_reversals(turns: list[float]) -> list[float]:
    """Where the record begins, then peak and valley of each cycle as they were measured."""
    _, got = measured(through(turns), through(turns), -1e-4, 1e-4)
    pairs = np.column_stack([got["peak_load"], got["valley_load"]]).ravel().tolist()
    return [turns[0], *pairs[: len(turns) - 1]]


def test_rainflow_of_our_peaks_and_valleys_is_that_of_the_example() -> None:
    reversals = our_reversals(list(map(float, E1049)))
    assert reversals == [*map(float, E1049)]
    assert dict(rainflow.count_cycles(reversals)) == E1049_COUNTS


@settings(max_examples=150)
@given(st.lists(st.tuples(st.floats(0.01, 15), st.floats(0.01, 15)), min_size=1, max_size=40), st.floats(0.01, 15))
def test_rainflow_of_our_peaks_and_valleys_is_that_of_the_whole_signal(
    cycles: list[tuple[float, float]], first: float
) -> None:
    turns = [-first, *(value for peak, valley in cycles for value in (peak, -valley))]
    ours, whole = rainflow.count_cycles(our_reversals(turns)), rainflow.count_cycles(turns)
    assert [c for _, c in ours] == [c for _, c in whole]
    np.testing.assert_allclose([r for r, _ in ours], [r for r, _ in whole], rtol=1e-12)
    # a history's total variation is twice the sum of count times range
    assert sum(2 * c * r for r, c in ours) == pytest.approx(np.abs(np.diff(turns)).sum())


@settings(max_examples=150)
@given(
    st.floats(20, 400), st.floats(0, 6.28), st.floats(0, 0.15), st.floats(0, 6.28), st.floats(0.4, 1.0),
)  # fmt: skip
def test_scipys_peak_finder_finds_the_same_peaks_and_valleys(
    per_cycle: float, phase: float, second: float, lag: float, fade: float
) -> None:
    turns = 2 * np.pi * np.arange(int(20 * per_cycle)) / per_cycle + phase
    amplitude = np.linspace(1.0, fade, turns.size)
    load = amplitude * (np.sin(turns) + second * np.sin(2 * turns + lag))
    begin, got = measured(load, load, -0.15, 0.15)
    assert 17 <= begin.size <= 20
    for side, name, when in ((1, "peak_load", "peak_time_s"), (-1, "valley_load", "valley_time_s")):
        places, _ = find_peaks(side * load, distance=max(int(0.5 * per_cycle), 1))
        places = places[(places >= begin[0])]
        theirs = load[places][: begin.size]
        np.testing.assert_allclose(got[name], theirs, rtol=1e-12, err_msg=name)
        start = begin * 1e-3 + got["start_offset_s"]
        np.testing.assert_allclose(start + got[when], places[: begin.size] * 1e-3, atol=1e-9)


@settings(max_examples=30)
@given(st.floats(2, 30), st.floats(0.0, 1.0), st.floats(0.5, 8.0))
def test_a_bilinear_loop_has_its_closed_form(k: float, share: float, slip: float) -> None:
    k1, k2, half = k, share * 0.8 * k, 3.0
    own = k1 - k2
    slip = min(slip, 0.8 * own * half)
    motion = half * np.sin(2 * np.pi * np.arange(4 * 1000) / 1000)
    load, element = np.empty_like(motion), 0.0
    for i, step in enumerate(np.diff(motion, prepend=0.0)):
        element = min(max(element + own * step, -slip), slip)
        load[i] = k2 * motion[i] + element
    _, got = measured(load, motion, -0.1 * load.max(), 0.1 * load.max())
    steady = slice(1, None)  # the first begins on the virgin curve
    np.testing.assert_allclose(got["energy"][steady], 4 * slip * (half - slip / own), rtol=5e-3)
    np.testing.assert_allclose(got["peak_load"][steady], k2 * half + slip, rtol=1e-4)
    np.testing.assert_allclose(got["motion_max"][steady] - got["motion_min"][steady], 2 * half, rtol=1e-4)
    np.testing.assert_allclose(got["closure_error"][steady], 0.0, atol=1e-3)
