"""Pictures of trends and margins: limits far away, equal limits, stops, events, temperature taken off."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.charts import Trend
from benchpipe.report.page.strip import strip_svg
from benchpipe.report.page.trend import trend_svg
from benchpipe.report.page.words import trend_notes
from benchpipe.views.page.margins import margins
from benchpipe.views.page.model import Drift, ShownEvent, ShownPhase, TrendPicture
from benchpipe.views.page.pictures import picture

ROW: dict[str, Any] = {
    "limit": "least stiffness", "limits_file": "f", "block": "b", "measure": "stiffness", "statistic": "median",
    "value": 95.0, "other_value": None, "operator": ">=", "unit": "N/mm", "expanded_u": 0.4, "measured": 100.0,
    "margin": 5.0, "verdict": "pass", "due": True,
}  # fmt: skip


def drawn(*rows: dict[str, Any], corrected: np.ndarray[Any, Any] | None = None) -> TrendPicture:
    """A trend of 1,000 cycles about 100 N/mm, with limits."""
    values = 100.0 + np.sin(np.arange(1000.0))
    first = np.arange(1.0, 1000.0, 100.0)
    trend = Trend("b", "stiffness", "stiffness", "N/mm", values, first, first + 99.0, np.full(10, 100.0),
                  np.array([500]), (1, 100), 100.0, 0.0, 7)  # fmt: skip
    return picture(trend, rows, corrected)


def test_a_near_limit_is_a_line_and_a_far_one_an_arrow() -> None:
    near, far = trend_svg(drawn({**ROW, "value": 97.0})), trend_svg(drawn(ROW))
    assert ('class="limit"' in near, 'class="arrow"' in near) == (True, False)
    assert ('class="limit"' in far, 'class="arrow"' in far) == (False, True)
    assert "least stiffness" in far


def test_equal_limits_are_one_line_with_both_names() -> None:
    (limit,) = drawn(ROW, {**ROW, "limit": "another"}).limits
    assert limit.label == "least stiffness, another"


def test_a_limit_of_another_block_or_unit_is_not_drawn() -> None:
    assert drawn({**ROW, "block": "c"}, {**ROW, "unit": "N"}, {**ROW, "statistic": "count"}).limits == ()


def test_stops_events_phases_and_temperature_have_their_place() -> None:
    drift = Drift(
        (ShownEvent("b", "stiffness", 300, "step"), ShownEvent("c", "stiffness", 1, "step")),
        (ShownPhase("b", 1, 99, "run-in"),),
    )
    plain, full = trend_svg(drawn()), trend_svg(drawn(corrected=np.full(10, 99.5)), drift)
    assert plain.count('class="stop"') == 1
    assert 'class="event"' not in plain
    assert (full.count('class="event"'), full.count("run-in")) == (1, 1)
    assert ('class="corrected"' in plain, 'class="corrected"' in full) == (False, True)
    assert any("temperature taken off" in note for note in trend_notes(drawn(corrected=np.full(10, 99.5))))


@pytest.mark.parametrize(
    ("changes", "at", "wide"),
    [
        ({}, 5.0 / 95.0, 0.4 / 95.0),
        ({"other_value": 105.0, "margin": 2.0}, 0.2, 0.04),  # of a window of 10
        ({"value": 0.0, "margin": 0.0, "expanded_u": 0.0}, 0.0, 0.0),
        ({"value": 0.0, "margin": -2.0, "expanded_u": 0.0}, -1.0, 0.0),
        ({"measured": None, "margin": None}, None, None),
    ],
)
def test_a_margin_is_in_parts_of_its_limit(changes: dict[str, Any], at: float | None, wide: float | None) -> None:
    (one,) = margins([{**ROW, **changes}])
    assert (one.at, one.wide) == ((at, wide) if at is None else pytest.approx((at, wide)))


def test_the_strip_shows_each_limit_that_is_due_with_its_sign() -> None:
    worse = {**ROW, "limit": "worse", "verdict": "fail", "margin": -400.0}
    later = {**ROW, "limit": "later", "due": False}
    unknown = {**ROW, "limit": "unknown", "verdict": "not evaluated", "measured": None, "margin": None}
    rows = [ROW, worse, later, unknown]
    strip = strip_svg(margins(rows))
    for words in ("✓", "✗", "–", "worse", "not measured", 'class="far v-fail"', "-420 %"):
        assert words in strip, words
    assert "later" not in strip
