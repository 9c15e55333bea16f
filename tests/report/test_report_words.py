"""Numbers, units, times, trends and headlines as the summary prints them."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from benchpipe.blocks.figures import BlockView, Figure
from benchpipe.check.decision import Verdict
from benchpipe.report.signs import ASCII, UNICODE, clock, margin_with_unit, number, sparkline, unit_shown, with_unit
from benchpipe.report.terminal import headline, run_summary, runs_table
from benchpipe.store.manifest import Remark
from benchpipe.units import INSIDE_UNIT, find_unit
from benchpipe.views.model import RunView
from benchpipe.views.run_view import failed_view

VIEW = replace(failed_view(Path("lab/one/plan.toml"), ""), failed=None, judged=True)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "–"),
        (math.nan, "–"),
        (-math.inf, "–"),
        (0.0, "0"),
        (-0.0, "0"),
        (5.0, "5"),
        (1_234_567.0, "1,234,567"),
        (-1487.0, "-1,487"),
        (20.9245, "20.92"),
        (0.31171, "0.3117"),
        (1234.56, "1,235"),
        (123_456.7, "123,500"),
        (9.9996, "10.00"),
        (0.99996, "1.000"),
        (0.00012345, "0.0001234"),
        (0.000012345, "1.234e-05"),
        (1.5e12, "1.500e+12"),
        (-0.05, "-0.05000"),
    ],
)
def test_numbers_have_four_digits(value: float | None, text: str) -> None:
    assert number(value) == text


@given(st.floats(1e-300, 1e300), st.integers(2, 6))
def test_a_number_is_right_to_its_digits(value: float, digits: int) -> None:
    for signed in (value, -value):
        shown = float(number(signed, digits).replace(",", ""))
        assert shown == pytest.approx(signed, rel=0.51 * 10.0 ** (1 - digits))


@given(st.floats(-1e11, 1e11), st.integers(2, 6))
def test_no_number_shows_digits_that_it_does_not_have(value: float, digits: int) -> None:
    shown = number(value, digits)
    if value != int(value) and "e" not in shown:
        assert len(shown.lstrip("-").replace(",", "").replace(".", "").lstrip("0").rstrip("0")) <= digits


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (20.9245, "N*m/deg", "20.92 N·m/°"),
        (0.0843, "1", "8.43 %"),
        (-0.169, "1", "-16.9 %"),
        (23.77, "degC", "23.77 °C"),
        (1200.0, "s", "1,200 s"),
        (172_800.0, "s", "2 d"),
        (-864_000.0, "s", "-10 d"),
        (1487.0, "cycles", "1,487 cycles"),
        (0.4256, "deg/h", "0.4256 °/h"),
        (None, "N", "–"),
        (math.nan, "1", "–"),
    ],
)
def test_values_with_units(value: float | None, unit: str, text: str) -> None:
    assert with_unit(value, unit) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(-0.135, "1", "-13.5 points"), (0.01, "1", "1 point"), (0.0, "1", "0 points"), (None, "1", "–"),
     (10.7, "N", "10.70 N")],
)  # fmt: skip
def test_a_margin_of_a_ratio_is_in_points(value: float | None, unit: str, text: str) -> None:
    assert margin_with_unit(value, unit) == text


def test_plain_signs_where_there_are_no_others() -> None:
    assert with_unit(20.9245, "N*m/deg", marks=ASCII) == "20.92 N*m/deg"
    assert with_unit(None, "N", marks=ASCII) == "-"
    assert clock(None, dated=True, marks=ASCII) == "-"


@pytest.mark.parametrize("unit", sorted(set(INSIDE_UNIT.values()) - {"1"}))
@pytest.mark.parametrize("marks", [UNICODE, ASCII])
def test_a_shown_unit_may_be_written_in_a_config(unit: str, marks: object) -> None:
    assert find_unit(unit_shown(unit, marks)).text == unit  # type: ignore[arg-type]


def test_sparklines() -> None:
    assert sparkline([1, 2, 3, 4, 5, 6, 7, 8]) == "▁▂▃▄▅▆▇█"
    assert sparkline([0, 1, 0], ASCII.bars) == "_@_"
    assert sparkline([2.0, 2.0, 2.0]) == "▅▅▅"
    assert sparkline([0.0, 0.0]) == "▅▅"
    assert sparkline([1.0]) == ""
    assert sparkline([]) == ""
    assert sparkline([1.0, math.nan, 2.0, math.inf]) == "▁█"


@given(st.lists(st.floats(-1e150, 1e150), min_size=2, max_size=40))
def test_a_sparkline_rises_where_the_values_do(values: list[float]) -> None:
    bars = sparkline(values)
    assert len(bars) == len(values)
    for i in range(len(values) - 1):
        if values[i] <= values[i + 1]:
            assert UNICODE.bars.index(bars[i]) <= UNICODE.bars.index(bars[i + 1])


@pytest.mark.parametrize(
    ("us", "dated", "text"),
    [
        (None, True, "–"),
        (0, False, "0 h"),
        (4_248_000_000, False, "1.18 h"),
        (0, True, "1970-01-01 00:00"),
        (1_934_055_959_000_000, True, "2031-04-15 21:45"),
    ],
)
def test_times(us: int | None, dated: bool, text: str) -> None:
    assert clock(us, dated=dated) == text


ROW = {
    "limit": "peak load", "limits_file": "own", "block": "durability", "measure": "peak_load", "measured": 80.0,
    "expanded_u": 0.5, "operator": "<=", "value": 90.0, "unit": "N*m", "margin": 10.0, "verdict": "pass", "due": True,
    "remark": "", "verified": False, "last": 9, "left_out": "", "used": 9, "of": 9, "bound": "", "other_value": None,
    "verified_by": "", "rule": "guard band of 2 u: an item at the limit passes with at most 2.3 %", "risk": 0.02275,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"failed": "broken"}, "NOT PROCESSED"),
        ({"judged": False}, "NOT JUDGED YET"),
        ({}, "NO LIMITS SET"),
        ({"limits": ({**ROW, "due": False},)}, "NOTHING DUE YET"),
        ({"limits": (ROW,)}, "NOT EVALUATED"),
        ({"limits": (ROW,), "verdict": Verdict.PASS}, "ALL LIMITS MET"),
        ({"limits": (ROW,), "verdict": Verdict.PASS, "running": True}, "WITHIN LIMITS SO FAR"),
        ({"limits": (ROW,), "verdict": Verdict.INCONCLUSIVE}, "INCONCLUSIVE"),
        ({"limits": (ROW,), "verdict": Verdict.FAIL, "running": True}, "A LIMIT FAILED"),
    ],
)
def test_headlines(changes: dict[str, object], words: str) -> None:
    view = replace(VIEW, **changes)  # type: ignore[arg-type]
    assert headline(view)[0] == words
    assert words in drawn(view)


def drawn(view: RunView, width: int = 80) -> str:
    """The summary as plain text."""
    console = Console(width=width, record=True, file=open_nothing(), highlight=False, _environ={})
    console.print(run_summary(view))
    return console.export_text()


def open_nothing() -> object:
    """A file that takes everything."""
    from io import StringIO

    return StringIO()


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (90.0, "N*m", "≤ 90 N·m"),
        (0.1, "deg", "≤ 0.1 °"),
        (0.15, "1", "≤ 15 %"),
        (62.3, "N", "≤ 62.3 N"),
        (1e-10, "J", "≤ 1.000e-10 J"),
        (100.0, "cycles", "≤ 100"),
    ],
)
def test_a_limit_is_shown_as_it_was_given(value: float, unit: str, text: str) -> None:
    assert text in drawn(replace(VIEW, limits=({**ROW, "value": value, "unit": unit},)))


def test_measured_and_its_uncertainty_share_a_unit() -> None:
    assert "80.00 ± 0.50 N·m" in drawn(replace(VIEW, limits=(ROW,)))
    days = {**ROW, "measured": 864_000.0, "expanded_u": 86_400.0, "unit": "s", "margin": None}
    assert "10.0 ± 1.0 d" in drawn(replace(VIEW, limits=(days,)))
    ratio = {**ROW, "measured": -0.169, "expanded_u": 0.0034, "unit": "1", "margin": None}
    assert "-16.90 ± 0.34 %" in drawn(replace(VIEW, limits=(ratio,)))


def test_why_a_limit_was_not_evaluated_or_is_not_due_is_said() -> None:
    why = {**ROW, "verdict": "not evaluated", "measured": None, "margin": None, "remark": "only 3 of 9"}
    assert "peak load*: only 3 of 9" in drawn(replace(VIEW, limits=(why,)), 100)
    early = {**why, "due": False, "remark": "9 cycles so far"}
    assert "not due yet: peak load*: 9 cycles so far" in drawn(replace(VIEW, limits=(early,)))


def test_several_blocks_under_one_limit_are_told_apart() -> None:
    text = drawn(replace(VIEW, limits=(ROW, {**ROW, "block": "second", "verified": True})))
    assert "peak load* (durability)" in text
    assert "peak load (second)" in text


def test_many_remarks_are_counted() -> None:
    remarks = tuple(Remark(step="x", code="x", where=f"file {i}", count=1, text="odd") for i in range(9))
    text = drawn(replace(VIEW, remarks=remarks, reasons=(("no number", 1234),)))
    assert "! 1,234 row(s) rejected: no number" in text
    assert "file 4: odd" in text
    assert "file 5: odd" not in text
    assert "and 4 more: benchpipe export one remarks" in text


def test_a_block_says_how_far_it_is() -> None:
    blocks = (
        BlockView("a", "cyclic", 1500, 2_000_000, (), things="cycles"),
        BlockView("b", "hold", 1, None, (), "settling", things="holds"),
        BlockView("c", "idle", 0, None, ()),
    )
    text = drawn(replace(VIEW, blocks=blocks))
    assert "a  1,500 of 2,000,000 cycles (0.075 %)" in text
    assert "b  1 holds: settling" in text
    assert "\nc" not in text


@pytest.mark.parametrize("width", [30, 40, 60, 69, 80, 200])
def test_names_and_figures_stand_at_any_width(width: int) -> None:
    figure = Figure("secant stiffness", 116.8, "N*m/deg", change=-0.169, trend=(1.0, 2.0, 3.0) * 6)
    view = replace(VIEW, run="creeping-lock", limits=(ROW,), blocks=(BlockView("a", "cyclic", 1, 2, (figure,)),))
    text = " ".join(drawn(view, width).split())
    console = Console(width=width, record=True, file=open_nothing(), highlight=False, _environ={})
    console.print(runs_table([replace(view, limits=())]))
    table = " ".join(console.export_text().split())
    assert "…" not in text + table
    figures = ("secant stiffness", "116.8 N·m/°", "-16.9% since baseline")
    for whole in ("peak load*", "80.00 ± 0.50 N·m", "≤ 90 N·m", *figures):
        assert whole in text
    assert view.run in table


@pytest.mark.parametrize("width", [40, 60, 80, 200])
def test_any_width_is_kept(width: int) -> None:
    view = replace(VIEW, limits=(ROW,), note="a note " * 20, blocks=(BlockView("a", "cyclic", 1, 2, ()),))
    assert max(len(line) for line in drawn(view, width).splitlines()) <= width
