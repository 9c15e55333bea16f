"""Scales, ticks, markup and paths of pictures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.report.page.markup import Markup, joined, tag, text, void
from benchpipe.report.page.paths import area_path, line_path
from benchpipe.report.page.scales import Scale, linear_scale, linear_ticks, log_scale, log_ticks, tick_texts


@given(st.floats(-1e9, 1e9), st.floats(1e-6, 1e9), st.integers(2, 8))
def test_ticks_lie_inside_and_are_neither_few_nor_many(low: float, span: float, about: int) -> None:
    high = low + span
    if high - low < 1e-9 * max(abs(low), abs(high)):
        return
    ticks = linear_ticks(low, high, about)
    assert all(low - 1e-6 * span <= tick <= high + 1e-6 * span for tick in ticks)
    assert about / 3 - 1 <= len(ticks) <= 2 * about


@pytest.mark.parametrize(
    ("ticks", "texts"),
    [
        ([0.0, 0.5, 1.0], ["0", "0.5", "1.0"]),
        ([-0.01, -0.005, 0.0], ["-0.010", "-0.005", "0"]),
        ([1000.0, 2000.0], ["1,000", "2,000"]),
        ([1e-7, 2e-7], ["1e-07", "2e-07"]),
    ],
)
def test_texts_of_ticks(ticks: list[float], texts: list[str]) -> None:
    assert tick_texts(ticks) == texts


def test_ticks_of_a_log_axis() -> None:
    assert log_ticks(1.0, 1000.0) == [1.0, 10.0, 100.0, 1000.0]
    assert log_ticks(3.0, 60.0) == [5.0, 10.0, 20.0, 50.0]


def test_an_axis_does_not_make_noise_look_like_a_change() -> None:
    values = 100.0 + 0.01 * np.sin(np.arange(50.0))
    scale = linear_scale([values], 200.0, 0.0, least=2.0)
    assert scale.high - scale.low >= 2.0
    assert np.ptp(scale.at(values)) < 0.02 * 200.0


@pytest.mark.parametrize("values", [[], [np.nan], [3.0], [3.0, 3.0], [-1.0, -1.0], [0.0]])
def test_a_scale_of_little_is_a_scale(values: list[float]) -> None:
    for scale in (linear_scale([np.array(values)], 0.0, 100.0), log_scale([np.array(values)], 0.0, 100.0)):
        assert scale.low < scale.high
        assert math.isfinite(scale.place(scale.high))


def test_a_log_scale_has_no_place_for_nought() -> None:
    assert np.isnan(Scale(1.0, 10.0, 0.0, 1.0, log=True).at([0.0])[0])


def test_a_line_breaks_where_a_value_is_missing() -> None:
    x = np.arange(4.0)
    assert line_path(x, np.array([1.0, np.nan, 2.0, 3.0])) == "M0.0 1.0M2.0 2.0L3.0 3.0"
    assert area_path(x, np.array([1.0, np.nan, 2.0, 3.0]), np.zeros(4)).count("M") == 2


def test_no_markup_and_no_control_letter_of_a_text_is_obeyed() -> None:
    assert text("<b>&\"'") == "&lt;b&gt;&amp;&quot;&#x27;"
    assert text("a\x1b[31m\u202eb\n") == "a\\x1b[31m\\u202eb\\n"
    assert text("\udcff") == "\\udcff"
    assert tag("p", "<i>", title='"><script>') == '<p title="&quot;&gt;&lt;script&gt;">&lt;i&gt;</p>'
    assert tag("p", Markup("<i>x</i>"), class_="a", data_x=None, hidden=True) == '<p class="a" hidden><i>x</i></p>'
    assert void("path", d="M0 0", stroke_width=2) == '<path d="M0 0" stroke-width="2"/>'
    assert joined(["<", Markup("<b/>")]) == "&lt;<b/>"
