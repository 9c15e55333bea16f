"""Small trends of a block: one scale since baseline, else the ends of their own (invented figures)."""

from __future__ import annotations

import pytest

from benchpipe.blocks.figures import Figure
from benchpipe.report.signs import UNICODE
from benchpipe.report.small_trends import common_scale, scale_words, since_baseline, small_trend

WORN = Figure("stiffness", 83.0, "N/mm", -0.17, (100.0, 99.0, 83.0))
STEADY = Figure("load range", 1001.0, "N", 0.001, (1000.0, 1001.0, 1002.0))
WARMTH = Figure("temperature", 22.7, "degC", None, (20.64, 21.0, 22.7))


def test_what_moves_by_a_thousandth_is_flat_beside_what_moves_by_a_sixth() -> None:
    scale = common_scale([WORN, STEADY, WARMTH])
    assert scale is not None
    assert small_trend(WORN, scale, UNICODE) == ("██▁", "-17.0% since baseline")
    assert len(set(small_trend(STEADY, scale, UNICODE)[0])) == 1
    assert scale_words(scale) == "lines since baseline have one scale: -17.0% to +0.2%"


def test_a_scale_is_never_narrower_than_two_per_cent() -> None:
    low, high = common_scale([STEADY]) or (0.0, 0.0)
    assert high - low == pytest.approx(0.02)
    assert low < 0.0 < high


def test_without_a_baseline_it_has_the_ends_of_its_own_scale() -> None:
    assert common_scale([WARMTH]) is None
    assert small_trend(WARMTH, None, UNICODE) == ("▁▂█", "20.6 to 22.7")
    assert small_trend(Figure("loss", 0.08, "1", None, (0.084, 0.096)), None, UNICODE)[1] == "8.4 to 9.6"
    assert small_trend(Figure("lock", 0.0, "s", None, (0.0, 0.0)), None, UNICODE) == ("▅▅", "constant")
    assert small_trend(Figure("one", 1.0, "s", None, (1.0,)), None, UNICODE) == ("", "")


@pytest.mark.parametrize("figure", [Figure("a", None, "N", 0.1, (1.0, 2.0)), Figure("a", 0.0, "N", -1.0, (1.0, 2.0))])
def test_no_baseline_that_could_be_divided_by(figure: Figure) -> None:
    assert since_baseline(figure) == []
    assert small_trend(figure, None, UNICODE)[0]
