"""There and back: counted on worked series, against rainflow's total, and by laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.swings import count_swings, turning_points

# ASTM E1049 rainflow example, also in the facts of the trade ([M] from memory, not verified).
E1049 = [-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]


def test_turning_points_of_the_rainflow_example() -> None:
    assert turning_points(E1049, 1e-9).tolist() == E1049
    # Moves of 3 (-2 to 1) and 4 (-1 to 3) fall below a hysteresis of 5.
    assert turning_points(E1049, 5.0).tolist() == [-3.0, 5.0, -4.0, 4.0, -2.0]


def test_two_plateaus_are_half_a_swing() -> None:
    two = np.repeat([19.0, 27.0], 300)
    assert count_swings(two, 8.0).swings == 0.5
    assert np.isnan(count_swings(two, 8.0).low)


def test_noise_is_no_swing() -> None:
    wobble = 23 + 0.05 * np.sin(np.arange(600) / 600 * 2 * np.pi * 10)
    assert count_swings(wobble, 8.0).swings == 0
    assert count_swings(wobble, 0.1, floor=0.5).swings == 0


def test_sine_goes_there_and_back_once_a_period() -> None:
    t = np.linspace(0, 3, 3001)
    found = count_swings(23 - 4 * np.cos(2 * np.pi * t), 8.0)
    assert found.swings == pytest.approx(3.0, abs=1e-4)
    assert (found.low, found.high) == (pytest.approx(19, abs=1e-4), pytest.approx(27, abs=1e-4))


def test_a_range_reached_once_is_not_learnt() -> None:
    # 19-23 there and back, then once to 31.
    series = [19.0, 23.0, 19.0, 23.0, 19.0, 31.0]
    found = count_swings(series, 4.0)
    assert (found.low, found.high) == (19.0, 23.0)


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=60), st.floats(0.1, 20))
def test_moves_alternate_and_are_large_enough(series: list[float], hysteresis: float) -> None:
    turning = turning_points(series, hysteresis)
    moves = np.diff(turning)
    assert np.all(np.abs(moves) >= hysteresis)
    assert np.all(moves[1:] * moves[:-1] < 0)
    back = turning_points(series[::-1], hysteresis)
    assert back.size == turning.size


def test_swing_must_be_positive() -> None:
    with pytest.raises(ValueError):
        count_swings([1.0, 2.0], 0.0)
