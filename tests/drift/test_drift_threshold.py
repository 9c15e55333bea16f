"""Thresholds follow the tail that was simulated."""

from __future__ import annotations

import re
from math import exp

import pytest

from benchpipe.cli.guide import page
from benchpipe.drift.looks import number_of_tests, step_threshold
from benchpipe.drift.measures import CYCLIC
from benchpipe.drift.threshold import SLOPE, STEP
from tests.drift.drawn import block_of


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


def test_the_table_of_the_guide_is_that_of_the_code() -> None:
    rows = re.findall(r"(?m)^\| (\d+)(?:, as in use)? \| (.*) \|$", page("nightly").split("measures watched")[1])
    assert [int(number) for number, _ in rows] == [1, 5, len(CYCLIC)]
    for number, cells in rows:
        block = block_of(watched=CYCLIC[: int(number)])
        tests = number_of_tests(block)
        for nights, cell in zip((7, 24, 60), cells.split(" | "), strict=True):
            found = step_threshold(block, nights), SLOPE.threshold(nights, block.false_alarms, tests)
            assert cell == " / ".join(f"{value:.2f}" for value in found)
