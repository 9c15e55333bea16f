"""Geometry and delays: closed forms, and any cutting gives the same signals."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import Signals, look_back_us, signals_and_losses, to_signals
from benchpipe.samples.stream import SampleBatch

STEP_US = 10_000


def rig(load: Any = None, motion: Any = None, force_delay: str = "0 ms", stroke_delay: str = "0 ms") -> RigConfig:
    return RigConfig.model_validate({
        "name": "rig", "time": {"column": "t", "sample_rate": "100 Hz"},
        "channel": [
            {"name": "force", "column": "F", "unit": "N", "delay": force_delay},
            {"name": "stroke", "column": "x", "unit": "mm", "delay": stroke_delay},
        ],
        "load": {"channel": "force", **(load or {})}, "motion": {"channel": "stroke", **(motion or {})},
    })  # fmt: skip


def batch(force: Any, stroke: Any, time_us: Any = None, context: int = 0) -> SampleBatch:
    force = np.asarray(force, np.float32)
    time = np.arange(force.size) * STEP_US if time_us is None else np.asarray(time_us)
    return SampleBatch(time, {"force": force, "stroke": np.asarray(stroke, np.float32)}, "log", context)


def test_lever_arms_give_torque_and_angle() -> None:
    arms = rig({"lever_arm": "80 mm"}, {"lever_arm": "80 mm"})
    signals = to_signals(batch([100.0], [80.0 * np.pi / 180.0]), arms)
    np.testing.assert_allclose([signals.load[0], signals.motion[0]], [8.0, 1.0], rtol=1e-6)


def test_a_sine_bar_gives_the_angle_and_nothing_beyond_its_length() -> None:
    bar = rig({"lever_arm": "100 mm"}, {"sine_bar": "100 mm"})
    signals = to_signals(batch([1.0, 1.0, 1.0], [50.0, 100.0, 100.1]), bar)
    np.testing.assert_allclose(signals.motion, [30.0, 90.0], rtol=1e-6)


def test_tables_give_both_and_nothing_outside_them() -> None:
    tables = rig(
        {"sign": -1, "table": [["-100 N", "-8 N*m"], ["100 N", "10 N*m"]]},
        {"table": [["0 mm", "0 deg"], ["10 mm", "7 deg"], ["20 mm", "16 deg"]]},
    )
    signals = to_signals(batch([0.0, 100.0, 101.0, 0.0], [15.0, 20.0, 5.0, 20.5]), tables)
    np.testing.assert_allclose(signals.load, [-1.0, -10.0], rtol=1e-6)
    np.testing.assert_allclose(signals.motion, [11.5, 16.0], rtol=1e-6)


def test_compliance_of_the_machine_is_removed() -> None:
    soft = rig(motion={"machine_stiffness": "1 kN/mm"})
    np.testing.assert_allclose(to_signals(batch([500.0], [2.0]), soft).motion, [1.5])


def test_a_stated_delay_takes_the_skew_out() -> None:
    # A spring without damping whose force channel comes 23 ms late: the loop must close to a line.
    # Linear reading between samples is low by (pi f dt)^2 / 2 at most = 5e-4 at 1 Hz and 100 Hz.
    late = rig(force_delay="23 ms")
    t = np.arange(1000) * STEP_US / 1e6
    wave = batch(500.0 * np.sin(2 * np.pi * (t - 0.023)), 5.0 * np.sin(2 * np.pi * t))
    signals = to_signals(wave, late)
    assert len(signals) == 1000 - 3
    np.testing.assert_allclose(signals.load, 100.0 * signals.motion, atol=500 * 5.1e-4)
    skewed = to_signals(wave, rig())
    assert np.abs(skewed.load - 100.0 * skewed.motion).max() > 50.0


def test_nothing_is_read_across_a_gap() -> None:
    time = np.concatenate([np.arange(10), 100 + np.arange(10)]) * STEP_US
    signals = to_signals(batch(np.zeros(20), np.ones(20), time), rig(force_delay="15 ms"))
    assert signals.time_us.tolist() == [k * STEP_US for k in [*range(2, 10), *range(102, 110)]]


@pytest.mark.parametrize("delay", ["0 ms", "10 ms", "7 ms", "33 ms"])
@given(cuts=st.lists(st.integers(1, 59), max_size=4), holes=st.lists(st.integers(0, 59), max_size=4))
def test_any_cutting_gives_the_same_signals(delay: str, cuts: list[int], holes: list[int]) -> None:
    late = rig(stroke_delay=delay)
    draw = np.random.default_rng(5)
    time = np.cumsum(np.where(draw.random(60) < 0.1, 20, 1)) * STEP_US
    force, stroke = draw.normal(size=60), draw.normal(size=60)
    stroke[holes] = np.nan
    whole, lost = signals_and_losses(batch(force, stroke, time), late)
    edges = sorted({0, 60, *cuts})
    parts: list[Signals] = []
    losses: list[int] = []
    for first, last in itertools.pairwise(edges):
        start = int(np.searchsorted(time, time[first] - look_back_us(late), "left"))
        piece = slice(start, last)
        part, more = signals_and_losses(batch(force[piece], stroke[piece], time[piece], first - start), late)
        parts.append(part)
        losses += more.time_us.tolist()
    assert losses == lost.time_us.tolist()
    for name in ("time_us", "load", "motion"):
        joined = np.concatenate([getattr(part, name) for part in parts])
        np.testing.assert_array_equal(joined, getattr(whole, name))


def test_samples_that_a_gap_keeps_from_being_brought_to_one_delay_are_not_lost() -> None:
    """The first two samples of the log and after a gap have no force of 15 ms ago; a force that is missing is lost."""
    time = np.arange(20) * 10_000 + np.where(np.arange(20) < 10, 0, 400_000)
    force = np.ones(20)
    late = rig(force_delay="0 ms", stroke_delay="15 ms")
    signals, lost = signals_and_losses(batch(force, np.ones(20), time), late)
    assert (len(signals), len(lost)) == (16, 0)
    force[5] = np.nan
    signals, lost = signals_and_losses(batch(force, np.ones(20), time), late)
    assert len(signals) == 14
    assert lost.time_us.tolist() == [60_000, 70_000]
    assert lost.rows.tolist() == [1, 1]
