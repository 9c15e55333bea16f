"""Loads that swing, overshoot or break off in a hold (invented signals)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchpipe.config.model import Quantity
from benchpipe.samples.signals import Signals
from tests.process.test_holds import BLOCK, held, only, rows_of

BRIEF = BLOCK.model_copy(update={"least_time": 10.0})


def with_load(signals: Signals, extra: np.ndarray[Any, Any]) -> Signals:
    """The same with something added to the load."""
    return replace(signals, load=signals.load + extra).copy()


def times(signals: Signals) -> np.ndarray[Any, Any]:
    """Seconds since load entered its band."""
    return signals.time_us * 1e-6 - 22.0


def test_cycling_through_the_band_is_no_hold() -> None:
    t = np.arange(0.0, 300.0, 0.01)
    load = 45.0 + 40.0 * np.sin(2 * np.pi * t * 2.0)
    nothing = np.empty(0)
    cycling = Signals(np.rint(t * 1e6).astype(np.int64), load, load / 18.0, nothing, nothing).copy()
    assert rows_of(cycling, block=BRIEF).holds == []


def test_a_load_that_leaves_its_band_for_a_moment_is_held() -> None:
    whole = held(0.5, 0.01)
    away = np.where((times(whole) > 500.0) & (times(whole) < 500.6), -20.0, 0.0)
    assert only(rows_of(with_load(whole, away)))["duration_s"] == pytest.approx(1200.0, abs=0.3)
    noisy = np.where(np.arange(len(whole)) % 3 == 0, 2.0, 0.0)  # every third reading is out of the band
    assert only(rows_of(with_load(whole, noisy)))["duration_s"] == pytest.approx(1200.0, abs=0.3)


def test_an_overshoot_of_the_load_keeps_the_ramp_and_the_creep() -> None:
    whole = held(0.5, 0.01)
    over = np.where((times(whole) > 0.3) & (times(whole) < 4.0), 5.0, 0.0)
    hold = only(rows_of(with_load(whole, over), block=BRIEF))
    assert hold["ramp_s"] == pytest.approx(5.8, abs=0.3)  # to where the load came to stay
    assert hold["creep_end"] is not None
    assert hold["elastic_motion"] == pytest.approx(60 / 18, rel=0.03)


def test_a_short_break_of_the_log_is_bridged_and_told() -> None:
    whole = held(0.5, 0.01)
    hold = only(rows_of(whole.part(0, 6000), whole.part(6400, len(whole))))
    assert "1 short break(s) of the log" in hold["remark"]
    assert (hold["kind"], hold["duration_s"]) == ("both", pytest.approx(1200.0, abs=0.3))
    assert hold["leak_per_h"] == pytest.approx(only(rows_of(whole))["leak_per_h"], abs=0.02)


@pytest.mark.parametrize("gap_s", [70.0, 700.0, 3600.0])
def test_a_break_that_is_long_beside_the_time_under_load_is_not_bridged(gap_s: float) -> None:
    whole = held(0.5, 0.01)
    later = replace(whole, time_us=whole.time_us + round(gap_s * 1e6)).part(6000, len(whole))
    first, second = rows_of(whole.part(0, 6000), later).holds
    assert "ended it" in first["remark"]
    assert (first["complete"], second["complete"]) == (False, True)
    assert "time zero is not known" in second["remark"]
    assert second["creep_end"] is None
    told = rows_of(whole.part(0, 6000), later).told
    assert [number for number, _ in told] == [1, 2]
    assert "time zero is not known" in told[1][1]


def test_a_hold_too_short_to_tell_a_leak_is_undecided_and_is_told() -> None:
    rows = rows_of(held(leak_per_h=20.0, hold_s=30.0), block=BRIEF)
    assert only(rows)["kind"] in ("undecided", "not measurable")
    ((number, why),) = rows.told
    assert number == 1
    assert "too short to tell a leak from settling" in why
    assert rows_of(held(0.5, 0.01)).told == []


def test_a_wobble_goes_off_through_the_stiffness_of_the_plan() -> None:
    whole = held(0.5, 0.01, noise=0.0003)
    steps = 0.6 * np.sign(np.sin(2 * np.pi * times(whole) / 500.0)) * (times(whole) > 1.0)
    signals = replace(with_load(whole, steps), motion=whole.motion + steps / 18.0).copy()
    block = BLOCK.model_copy(update={"stiffness": Quantity(9.0, "stiffness (angular)")})
    measured, given = only(rows_of(signals)), only(rows_of(signals, block=block))
    assert measured["compliance"] == pytest.approx(1 / 18.0, rel=0.05)
    assert given["compliance"] == pytest.approx(1 / 9.0)
    assert given["load_taken_off"] == pytest.approx(2.0 * measured["load_taken_off"], rel=0.1)


def test_a_warming_that_runs_as_a_leak_does_goes_off_where_the_plan_says_what_it_moves() -> None:
    whole = held(per_decade=0.02)
    degrees = 22.0 + 4.0 * np.clip(times(whole), 0.0, 1200.0) / 1200.0
    signals = replace(whole, temperature=degrees, motion=whole.motion + 0.01 * (degrees - 22.0)).copy()
    block = BLOCK.model_copy(update={"motion_per_kelvin": Quantity(0.01, "angle")})
    hold = only(rows_of(signals, block=block))
    assert hold["kind"] == "settling"
    assert hold["temperature_taken_off"] == pytest.approx(0.01 * 4.0, rel=0.1)
    assert hold["creep_end"] == pytest.approx(only(rows_of(whole))["creep_end"], abs=0.003)


def test_a_channel_that_shows_nothing_all_through_a_hold_gives_no_number() -> None:
    whole = held(0.5, 0.01)
    stuck = np.where((times(whole) > -0.5) & (times(whole) < 1201.0), 3.3, whole.motion)
    rows = rows_of(replace(whole, motion=stuck).copy())
    hold = only(rows)
    assert "never changes" in hold["remark"]
    assert "never changes" in rows.told[0][1]
    assert hold["kind"] == "undecided"
    assert all(hold[name] is None for name in ("creep_end", "creep_bound", "leak_per_h", "rate_end_per_h"))
