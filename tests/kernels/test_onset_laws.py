"""Crossings of onset-and-power laws: closed forms, open ends, what is crossed already."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from benchpipe.kernels.onset_laws import AHEAD, CrossingResult, LawDraws, OnsetLaws, crossing

NOW = 1e6


def law(onset: float, power: float) -> OnsetLaws:
    return OnsetLaws(np.array([onset]), np.array([power]), NOW)


def cross(laws: OnsetLaws, worn: float, limit: float, **more: float) -> CrossingResult:
    draws = LawDraws(np.zeros(1, np.intp), np.array([more.pop("steady", 0.0)]), np.array([worn]), np.ones(1))
    settings = {"base": 0.0, "offset": 0.0, "planned_end": 2e6, **more}
    return crossing(laws, draws, limit=limit, turns=np.full(1, -0.1 / 0.45), **settings)


@pytest.mark.parametrize("power", [0.6, 1.0, 2.2, 10.0])
def test_a_power_law_crosses_where_it_does(power: float) -> None:
    found = cross(law(0.2 * NOW, power), -0.04, -0.1)
    expected = 0.2 * NOW + 0.8 * NOW * 2.5 ** (1 / power)
    assert found.cycle == pytest.approx(expected, rel=1e-3)
    assert found.before_end == float(expected <= 2e6)


def test_wear_that_runs_away_crosses_before_its_end() -> None:
    found = cross(law(1.2 * NOW, -1.5), -0.04, -0.1)
    shape = law(1.2 * NOW, -1.5).columns(np.array([found.cycle]))[0, 0]
    assert NOW < found.cycle < 1.2 * NOW
    assert shape == pytest.approx(2.5, rel=0.02)


def test_steady_wear_and_steps_count_too() -> None:
    found = cross(law(0.0, 2.2), 0.0, -0.1, steady=-5e-8, offset=-0.02)
    assert found.cycle == pytest.approx(1.6e6, rel=1e-3)


def test_wear_in_the_other_direction_never_crosses() -> None:
    found = cross(law(0.0, 1.5), 0.04, -0.1)
    assert (found.cycle, found.high, found.before_end, found.crossed) == (inf, inf, 0.0, False)


def test_what_is_beyond_today_has_crossed() -> None:
    found = cross(law(0.0, 1.5), -0.12, -0.1)
    assert found.crossed
    assert found.cycle == NOW


def test_columns_are_0_at_the_begin_and_1_now() -> None:
    laws = OnsetLaws.until(NOW)
    at = laws.columns(np.array([0.0, 0.5 * NOW, NOW]))
    assert at[0] == pytest.approx(0.0)
    assert at[2] == pytest.approx(1.0)
    assert (np.diff(at, axis=0) >= -1e-12).all()
    assert AHEAD > 1
