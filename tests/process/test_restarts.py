"""Shifts of the zero at a restart: invented cycles."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.blocks.cyclic.restarts import zero_shifts


def cycles(shift: float, wider: float = 0.0, count: int = 40) -> dict[str, np.ndarray]:
    """Two segments of cycles from 50 to 1230 N; the second is moved and made wider."""
    draw = np.random.default_rng(3)
    n = 2 * count
    second = np.arange(n) >= count
    return {
        "start_us": np.arange(n) * 1_000_000,
        "segment": 1 + second,
        "complete": np.ones(n, bool),
        "high": 1230.0 + draw.normal(0, 2, n) + second * (shift + wider),
        "low": 50.0 + draw.normal(0, 2, n) + second * shift,
    }


@pytest.mark.parametrize("shift", [40.0, -100.0])
def test_a_shift_is_found_with_its_size_and_place(shift: float) -> None:
    (found,) = zero_shifts(**cycles(shift))
    assert found.shift == pytest.approx(shift, abs=2)
    assert found.of_range == pytest.approx(shift / 1180, abs=0.002)
    assert (found.segment, found.start_us) == (2, 40_000_000)


@pytest.mark.parametrize(("shift", "wider"), [(0.0, 0.0), (10.0, 0.0), (0.0, 100.0), (40.0, 80.0)])
def test_noise_and_a_wider_range_are_no_shift(shift: float, wider: float) -> None:
    assert zero_shifts(**cycles(shift, wider)) == ()


def test_few_or_open_cycles_say_nothing() -> None:
    assert zero_shifts(**cycles(100.0, count=4)) == ()
    opened = cycles(100.0)
    opened["complete"][40:] = False
    assert zero_shifts(**opened) == ()


def test_a_signal_that_stands_still_on_both_sides_at_other_values_has_moved() -> None:
    still = np.repeat([1.5, 2.5], 20)
    (found,) = zero_shifts(np.arange(40), np.repeat([1, 2], 20), np.ones(40, bool), still, still)
    assert (found.segment, found.shift) == (2, 1.0)
    assert np.isnan(found.of_range)
