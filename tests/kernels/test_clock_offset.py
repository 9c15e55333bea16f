"""Offsets of two clocks from one quantity that both loggers show (invented signals)."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.clock_offset import LEAST_SAMPLES, find_offset

OFFSET_S = 1.2345


def seen(times: np.ndarray) -> np.ndarray:
    """A climb with a wave on it: no other lag shows the same."""
    return np.asarray(np.tanh((times - 20.0) / 4.0) + 0.2 * np.sin(times) + 0.1 * np.sin(2.3 * times))


def found(
    first_s: np.ndarray, second_s: np.ndarray, *, around: float = 0.0, search: float = 5.0
) -> tuple[float, float, bool]:
    """Offset [s] of a second clock that shows more, by samples at these times of each clock's own."""
    offset, correlation, sure = find_offset(
        np.rint(1e6 * first_s).astype(np.int64), seen(first_s),
        np.rint(1e6 * second_s).astype(np.int64), seen(second_s - OFFSET_S), 1e6 * around, 1e6 * search,
    )  # fmt: skip
    return offset / 1e6, correlation, sure


def test_an_offset_is_found_between_samples() -> None:
    offset, correlation, sure = found(np.arange(0.0, 40.0, 0.1), np.arange(-10.0, 50.0, 0.07))
    assert (offset, sure) == (pytest.approx(OFFSET_S, abs=2e-3), True)
    assert correlation > 0.9999


def test_an_offset_outside_of_what_is_searched_is_not_sure() -> None:
    assert not found(np.arange(0.0, 40.0, 0.1), np.arange(-10.0, 50.0, 0.07), search=1.0)[2]
    assert found(np.arange(0.0, 40.0, 0.1), np.arange(-10.0, 50.0, 0.07), around=1.0, search=4.0)[2]


def test_what_one_logger_alone_saw_takes_no_part() -> None:
    """The second begins late and ends early: of the first only what lies between counts, under each lag."""
    short = np.arange(10.0, 32.0, 0.07)
    offset, _, sure = found(np.arange(0.0, 40.0, 0.1), short)
    assert (offset, sure) == (pytest.approx(OFFSET_S, abs=2e-3), True)
    gap = short[(short < 20.0) | (short > 23.0)]
    offset, _, _ = found(np.arange(0.0, 60.0, 0.02), np.concatenate([gap, np.arange(32.0, 50.0, 0.07)]), search=1.5)
    assert offset == pytest.approx(OFFSET_S, abs=5e-3)


@pytest.mark.parametrize("count", [0, LEAST_SAMPLES - 1])
def test_too_few_samples_show_no_offset(count: int) -> None:
    times = np.arange(0.0, 40.0, 0.1)
    few = (np.rint(1e6 * times).astype(np.int64), np.where(np.arange(400) < count, seen(times), np.nan))
    whole = (few[0], seen(times))
    for first, second in ((few, whole), (whole, few)):
        offset, correlation, sure = find_offset(*first, *second, 0.0, 5e6)
        assert (np.isnan(offset), correlation, sure) == (True, 0.0, False)
    offset, correlation, sure = find_offset(*whole, whole[0] + 10**9, whole[1], 0.0, 5e6)  # never at one time
    assert (np.isnan(offset), correlation, sure) == (True, 0.0, False)


def test_a_cycle_alone_has_as_many_offsets_as_periods() -> None:
    times = np.arange(0.0, 40.0, 0.05)
    us = np.rint(1e6 * times).astype(np.int64)
    wave = np.sin(2 * np.pi * times)
    assert not find_offset(us, wave, us, wave, 0.0, 3e6)[2]
    offset, _, sure = find_offset(us, wave, us, wave, 1e5, 4e5, followed=True)
    assert (offset, sure) == (pytest.approx(0.0, abs=2e3), True)
