"""Thresholds follow the tail that was simulated."""

from __future__ import annotations

from math import exp

import pytest

from benchpipe.drift.threshold import SLOPE, STEP


@pytest.mark.parametrize("tail", [STEP, SLOPE])
def test_the_tail_at_the_threshold_is_the_share_of_one_test(tail: object) -> None:
    c = tail.threshold(24, 0.05, 80)  # type: ignore[attr-defined]
    assert tail.often * 24 * exp(-(c**2) / (2 * tail.wide**2)) == pytest.approx(0.05 / 80)  # type: ignore[attr-defined]


def test_more_nights_tests_and_care_raise_it() -> None:
    plain = STEP.threshold(10, 0.05, 4)
    assert plain < STEP.threshold(20, 0.05, 4)
    assert plain < STEP.threshold(10, 0.05, 8)
    assert plain < STEP.threshold(10, 0.01, 4)


def test_it_is_above_what_runs_of_pure_noise_reach() -> None:
    # 95th percentiles of 1/f noise over 21 nights, one series: 4.42 (step), 4.19 (slope).
    assert STEP.threshold(21, 0.05, 1) == pytest.approx(4.42, abs=0.15)
    assert SLOPE.threshold(21, 0.05, 1) == pytest.approx(4.19, abs=0.15)
