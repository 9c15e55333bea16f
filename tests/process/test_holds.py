"""Holds found in signals and fitted (invented signals, truth known)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.hold.measure import HoldBuilder, HoldRows
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.blocks.rows import rows_table
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.kernels.creep_noise import ChannelCoefficient
from benchpipe.samples.signals import Signals

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="10 Hz"),
    channel=(ChannelConfig(name="load", column="f", unit="N*m"), ChannelConfig(name="motion", column="x", unit="deg")),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)
BLOCK = HoldBlock(
    name="held", kind="hold", load=Quantity(60.0, "torque"), least_time="30 s", report_at=("1 min", "10 min", "2 h")
)


def held(
    leak_per_h: float = 0.0, per_decade: float = 0.0, *, hold_s: float = 1200.0, sign: float = 1.0, noise: float = 0.003
) -> Signals:
    """Rest, a ramp of 2 s, a hold, and back."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, hold_s + 60.0, 0.1)
    load = np.clip((t - 20.0) / 2.0, 0.0, 1.0) * 60.0
    load[t > 22.0 + hold_s] = 0.0
    since = np.clip(t - 22.0, 0.0, None)
    motion = load / 18.0 + per_decade * np.log10(1.0 + since) + leak_per_h * since / 3600.0
    motion = motion + noise * rng.standard_normal(t.size)
    load = load + 0.1 * rng.standard_normal(t.size)
    nothing = np.empty(0)
    return Signals(np.rint(t * 1e6).astype(np.int64), sign * load, sign * motion, nothing, nothing).copy()


def rows_of(*pieces: Signals, block: HoldBlock = BLOCK) -> HoldRows:
    """All rows of signals that arrive in pieces."""
    builder = HoldBuilder(block, RIG)
    for piece in pieces:
        builder.feed(piece)
    return builder.finish()


def only(rows: HoldRows) -> dict[str, Any]:
    """The one hold there is."""
    (hold,) = rows.holds
    return hold


def test_a_leak_is_told_from_settling() -> None:
    leaking = only(rows_of(held(leak_per_h=0.5, per_decade=0.01)))
    assert leaking["kind"] == "both"
    assert leaking["leak_per_h"] == pytest.approx(0.5, abs=2 * leaking["leak_u_per_h"] + 0.01)
    settling = only(rows_of(held(per_decade=0.03)))
    assert settling["kind"] == "settling"
    assert settling["elastic_motion"] == pytest.approx(60 / 18, rel=0.03)
    assert settling["ramp_s"] == pytest.approx(1.8, abs=0.3)


def test_where_nothing_moves_there_is_a_bound() -> None:
    still = only(rows_of(held()))
    assert still["kind"] == "not measurable"
    assert 0 < still["creep_bound"] < 0.003


def test_a_load_the_other_way_mirrors_all() -> None:
    block = BLOCK.model_copy(update={"load": Quantity(-60.0, "torque")})
    there, back = only(rows_of(held(0.5, 0.01))), only(rows_of(held(0.5, 0.01, sign=-1.0), block=block))
    for name in ("creep_end", "leak_per_h", "elastic_motion"):
        assert back[name] == pytest.approx(-there[name], rel=1e-6)
    assert back["kind"] == there["kind"]


def test_motion_against_the_load_is_no_leak() -> None:
    hold = only(rows_of(held(leak_per_h=-0.5, per_decade=0.01)))
    assert hold["kind"] != "leaking"
    assert hold["kind"] != "both"
    assert "against the load" in hold["remark"]


def test_creep_is_given_inside_the_hold_and_projected_beyond() -> None:
    points = {p["time_s"]: p for p in rows_of(held(0.5, 0.01)).points if p["kind"] != "curve"}
    assert {t: p["kind"] for t, p in points.items()} == {60.0: "asked", 600.0: "asked", 7200.0: "projected"}
    truth = 0.5 * (600 - 9) / 3600 + 0.01 * np.log10(601 / 10)
    assert points[600.0]["creep"] == pytest.approx(truth, abs=0.003)


def test_a_hold_in_which_the_log_ends_is_not_complete_and_a_short_one_is_none() -> None:
    whole = held(0.5)
    assert not only(rows_of(whole.part(0, 6000)))["complete"]
    assert only(rows_of(whole))["complete"]
    assert rows_of(whole.part(0, 400)).holds == []


@settings(max_examples=8)
@given(st.lists(st.integers(0, 2400), max_size=4).map(sorted))
def test_where_a_batch_ends_changes_nothing(places: list[int]) -> None:
    whole = held(0.5, 0.01, hold_s=180.0)
    pieces = [whole.part(a, b) for a, b in pairwise([0, *places, len(whole)]) if b > a]
    one, many = rows_of(whole), rows_of(*pieces)
    assert rows_table("holds", many.holds, RIG) == rows_table("holds", one.holds, RIG)
    assert rows_table("creep_points", many.points, RIG) == rows_table("creep_points", one.points, RIG)


def warmed(signals: Signals, warmth: np.ndarray) -> Signals:
    """The same signals with a temperature."""
    return Signals(signals.time_us, signals.load, signals.motion, warmth, signals.counter).copy()


def moved(signals: Signals, more: np.ndarray) -> Signals:
    """The same signals, their motion moved."""
    return Signals(signals.time_us, signals.load, signals.motion + more, signals.temperature, signals.counter).copy()


def test_a_wobble_of_the_load_is_taken_off_through_the_compliance() -> None:
    signals = held(per_decade=0.03)
    t = signals.time_us * 1e-6
    wobble = np.where((t > 22) & (t < 1222), 0.5 * np.sin(t / 40.0), 0.0)
    loaded = Signals(signals.time_us, signals.load + wobble, signals.motion + wobble / 18.0, *[np.empty(0)] * 2).copy()
    plain, hold = only(rows_of(signals)), only(rows_of(loaded))
    assert plain["compliance"] is None or not np.isfinite(plain["compliance"])
    assert hold["compliance"] == pytest.approx(1 / 18, rel=0.05)
    assert abs(hold["load_taken_off"]) < 2 * 0.5 / 18
    assert hold["kind"] == "settling"
    assert hold["creep_end"] == pytest.approx(plain["creep_end"], abs=2 * plain["creep_end_u"] + 0.002)


def test_a_swing_of_temperature_is_taken_off_and_told() -> None:
    signals = held(per_decade=0.03)
    t = signals.time_us * 1e-6
    warmth = 23.0 + 2.0 * np.sin(t / 120.0)
    swung = warmed(
        moved(signals, 0.01 * (warmth - 23.0)), warmth + 0.02 * np.random.default_rng(5).standard_normal(t.size)
    )
    hold = only(rows_of(swung))
    assert hold["motion_per_k"] == pytest.approx(0.01, rel=0.05)
    assert hold["kind"] == "settling"
    assert hold["creep_end"] == pytest.approx(only(rows_of(signals))["creep_end"], abs=0.005)


def test_a_temperature_that_runs_as_creep_does_leaves_no_confident_number() -> None:
    signals = held(per_decade=0.03)
    t = signals.time_us * 1e-6
    hold = only(rows_of(warmed(signals, 23.0 + 3.0 * np.log10(1.0 + np.clip(t - 22.0, 0.0, None)))))
    assert hold["kind"] in ("undecided", "not measurable")
    assert hold["creep_end"] is None or hold["creep_end_u"] > 0.02


@pytest.mark.parametrize(("step_k", "kind"), [(3.0, "undecided"), (1.2, "settling")])
def test_a_step_of_temperature_that_is_not_told_from_creep_is_a_doubt(
    step_k: float, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    none = ChannelCoefficient(*[np.nan] * 4, 0, 0.95, converged=False)
    monkeypatch.setattr("benchpipe.kernels.creep_noise.channel_coefficient", lambda *_, **__: none)
    signals = held(per_decade=0.03)
    t = signals.time_us * 1e-6
    hold = only(
        rows_of(warmed(signals, 23.0 + np.clip((t - 300.0) / 900.0, 0.0, 1.0) ** (0.1 if step_k > 2 else 1) * step_k))
    )
    assert hold["kind"] == kind
    assert "the temperature" in hold["remark"]
    assert (hold["creep_end"] is None) == (kind == "undecided")


def test_a_channel_that_sticks_leaves_no_number() -> None:
    signals = held(per_decade=0.03, noise=0.0)
    stuck = Signals(signals.time_us, signals.load, np.round(signals.motion / 0.02) * 0.02, *[np.empty(0)] * 2).copy()
    hold = only(rows_of(stuck))
    assert (hold["kind"], hold["creep_end"]) == ("undecided", None)
    assert "sticks" in hold["remark"]


@pytest.mark.parametrize("from_s", [200.0, 450.0, 1000.0])
def test_a_channel_that_sticks_on_the_way_leaves_no_number(from_s: float) -> None:
    signals = held(leak_per_h=0.5, per_decade=0.01)
    t = signals.time_us * 1e-6
    stuck = (t > 22.0 + from_s) & (t < 1223.0)
    motion = np.where(stuck, signals.motion[np.argmax(stuck)], signals.motion)
    hold = only(rows_of(Signals(signals.time_us, signals.load, motion, *[np.empty(0)] * 2).copy()))
    assert (hold["kind"], hold["creep_end"], hold["leak_per_h"]) == ("undecided", None, None)
    assert "sticks" in hold["remark"]


def test_a_step_of_temperature_with_a_slip_leaves_no_number() -> None:
    signals = held(per_decade=0.03)
    t = signals.time_us * 1e-6
    step = (t > 900.0).astype(float)
    hold = only(rows_of(warmed(moved(signals, 0.15 * step), 23.0 + 8.0 * step)))
    assert (hold["kind"], hold["creep_end"]) == ("undecided", None)
    assert "step of" in hold["remark"]


def test_a_load_that_drifts_leaves_no_number() -> None:
    signals = held(per_decade=0.03)
    t = signals.time_us * 1e-6
    drift = 0.9 * np.clip((t - 22.0) / 1200.0, 0.0, 1.0) * (t < 1222.0)
    hold = only(rows_of(Signals(signals.time_us, signals.load + drift, signals.motion, *[np.empty(0)] * 2).copy()))
    assert (hold["kind"], hold["creep_end"]) == ("undecided", None)
    assert "the load drifts" in hold["remark"]


def test_a_restart_inside_a_hold_leaves_no_creep_since_loading_but_the_leak() -> None:
    signals = held(leak_per_h=0.5, per_decade=0.01)
    after = signals.part(4000, len(signals))
    later = Signals(after.time_us + 3_600_000_000, after.load, after.motion, after.temperature, after.counter).copy()
    first, second = rows_of(signals.part(0, 4000), later).holds
    assert "a gap or a restart ended it" in first["remark"]
    assert "time zero is not known" in second["remark"]
    assert second["creep_end"] is None
    assert second["leak_per_h"] == pytest.approx(0.5, abs=0.1)


def test_asked_creep_has_no_number_where_time_zero_is_not_known() -> None:
    rows = rows_of(held(per_decade=0.03).part(1000, 12_000))
    asked = [p for p in rows.points if p["kind"] == "asked"]
    assert asked
    assert all(p.get("creep") is None for p in asked)


def test_a_load_that_never_comes_is_no_hold_and_is_told() -> None:
    rows = rows_of(held(), block=BLOCK.model_copy(update={"load": Quantity(80.0, "torque")}))
    assert rows.holds == []
    assert rows.nearest_load == pytest.approx(20.0, abs=1.0)
    short = rows_of(held(hold_s=5.0))
    assert (short.holds, short.longest_s == pytest.approx(5.0, abs=0.3)) == ([], True)


def test_what_comes_back_after_unloading_is_measured() -> None:
    """Kelvin bodies give all back, a leak nothing (closed form of the linear models)."""
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 2000.0, 0.1)
    on, off = 22.0, 1022.0
    load = np.where((t > on) & (t < off), 60.0, 0.0)
    load = np.where((t > 20) & (t <= on), 30.0 * (t - 20), load)
    for leaks in (False, True):
        rise = np.clip(t - on, 0.0, None)
        fall = np.clip(t - off, 0.0, None)
        body = 0.1 * (np.exp(-fall / 60.0) - np.exp(-rise / 60.0)) * (t > on)
        line = 0.1 / 1000.0 * np.clip(t - on, 0.0, off - on)
        motion = load / 18.0 + (line if leaks else body) + 0.002 * rng.standard_normal(t.size)
        signals = Signals(np.rint(t * 1e6).astype(np.int64), load, motion, *[np.empty(0)] * 2).copy()
        hold = only(rows_of(signals))
        expected = 0.0 if leaks else 1.0
        assert hold["recovered"] == pytest.approx(expected, abs=3 * hold["recovered_u"] + 0.03)
        cut = only(rows_of(signals.part(0, 11_000), signals.part(11_000, len(signals))))
        np.testing.assert_equal(cut, hold)
