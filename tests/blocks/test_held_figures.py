"""The law of a hold at its averages, as the table of points has it."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.blocks.held_curves import HoldCurve
from benchpipe.blocks.held_figures import law_through


def curve(motion: np.ndarray, time: np.ndarray, first: int = 0, spread: float = 0.01) -> HoldCurve:
    nothing = np.zeros(time.size)
    return HoldCurve(time, np.full(time.size, 20.0), motion, nothing, nothing + np.nan, spread, 0.0, 0.0, 0.0, first)


def test_a_law_goes_through_the_averages_that_follow_it() -> None:
    t = np.geomspace(10.0, 1000.0, 30)
    line, line_u = law_through(curve(5.0 + 0.01 * np.log10(t), t, first=3), "log time")
    assert np.isnan(line[:3]).all()
    assert np.isnan(line_u[:3]).all()
    assert line[3:] == pytest.approx(0.01 * np.log10(t[3:] / t[3]), abs=1e-9)
    assert line_u[3:].max() < 1e-8


def test_its_interval_holds_the_true_line_in_about_95_of_100() -> None:
    rng = np.random.default_rng(8)
    t = np.geomspace(10.0, 1000.0, 40)
    true, inside = 0.2 * np.log10(t), []
    for _ in range(300):
        line, u = law_through(curve(true + 0.01 * rng.standard_normal(t.size), t), "log time")
        rise = line[-1] - line[0] - (true[-1] - true[0])  # where the line begins is that of the first average
        inside.append(abs(rise) <= 2.0 * np.hypot(u[-1], u[0]))
    assert 0.92 <= np.mean(inside) <= 0.99


@pytest.mark.parametrize("name", [None, "no such law"])
def test_without_a_law_there_is_no_line(name: str | None) -> None:
    t = np.geomspace(10.0, 1000.0, 30)
    assert all(np.isnan(values).all() for values in law_through(curve(0.01 * t, t), name))


def test_averages_that_are_too_few_have_no_line() -> None:
    t = np.array([10.0, 100.0])
    assert np.isnan(law_through(curve(0.01 * t, t), "log time")[0]).all()
