"""Lock changes found in a mode channel and measured (invented signals; the figures follow from how they are made)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.locking.measure import LockBuilder, mode_channels
from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.blocks.locking.unmeasured import ModeScan
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.samples.signals import Signals, signal_columns, to_signals
from benchpipe.samples.stream import SampleBatch

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="100 Hz"),
    channel=(
        ChannelConfig(name="load", column="f", unit="N*m"),
        ChannelConfig(name="motion", column="x", unit="deg"),
        ChannelConfig(name="mode", column="m", unit="1"),
        ChannelConfig(name="setpoint", column="s", unit="deg"),
    ),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
    mode="mode",
)
K = 16.0
BLOCK = LockingBlock(
    name="lock", kind="locking", carry_load=Quantity(2.0, "torque"), still=Quantity(0.1, "angle"),
    locked_stiffness=Quantity(K, "stiffness (angular)"), asked=Quantity(5.0, "angle"),
)  # fmt: skip
T = np.arange(0.0, 12.0, 0.01)
LOCK_S, UNLOCK_S = 3.0, 9.0


def joint(
    *, speed: float = 10.0, stops_after_s: float = 0.25, loaded_from_s: float = 4.0, noise: float = 0.002
) -> dict[str, np.ndarray]:
    """A free joint moves at a speed, is locked at 3 s, stops, carries 20 N*m from 4 to 8 s, is unlocked at 9 s, moves.

    At the lock it is at 5 deg; the locked joint is a spring of 16 N*m/deg.
    """
    rng = np.random.default_rng(4)
    free = 5.0 + speed * (np.minimum(T, LOCK_S + stops_after_s) - LOCK_S)
    free = free + 6.0 * np.maximum(T - UNLOCK_S, 0.0)
    load = 20.0 * np.clip((T - loaded_from_s) / 0.5, 0.0, 1.0) * np.clip((8.5 - T) / 0.5, 0.0, 1.0)
    mode = ((T >= LOCK_S - 1e-9) & (T < UNLOCK_S - 1e-9)).astype(np.float32)
    motion = free + load / K + noise * rng.standard_normal(T.size)
    return {"load": load + 0.02 * rng.standard_normal(T.size), "motion": motion, "mode": mode}


def signals(made: dict[str, np.ndarray], asked: np.ndarray | None = None) -> Signals:
    """Signals as a locking block sees them: with the mode, and what was asked for where that is logged."""
    also = {"mode": made["mode"]} | ({} if asked is None else {"setpoint": asked})
    time_us = np.rint(T * 1e6).astype(np.int64)
    return Signals(time_us, made["load"], made["motion"], np.empty(0), np.empty(0), also=also).copy()


def rows_of(*pieces: Signals, block: LockingBlock = BLOCK) -> list[dict[str, Any]]:
    builder = LockBuilder(block, RIG)
    for piece in pieces:
        builder.feed(piece)
    return builder.finish()


def test_the_signals_carry_the_mode_and_the_angle_asked_for() -> None:
    """By their names: the rig's own temperature and counter are what they are."""
    also = mode_channels(RIG, BLOCK.model_copy(update={"asked": None, "asked_channel": "setpoint"}))
    assert signal_columns(RIG, also=also) == ["load", "motion", "mode", "setpoint"]
    made, count = joint(), np.arange(T.size, dtype=np.float64)
    columns = {"load": made["load"], "motion": made["motion"], "mode": made["mode"], "setpoint": 7.0 + count}
    lost = np.where(T < 0.05, np.nan, made["load"])
    rig = RIG.model_copy(update={"counter": "count"})
    batch = SampleBatch(np.rint(T * 1e6).astype(np.int64), columns | {"load": lost, "count": count}, "a.csv")
    found = to_signals(batch, rig, also=also)
    assert set(found.also) == {"mode", "setpoint"}
    assert np.array_equal(found.counter, count[5:])
    assert np.array_equal(found.also["setpoint"], 7.0 + count[5:])
    assert np.array_equal(found.part(0, 9).followed_by(found.part(9, len(found))).also["mode"], made["mode"][5:])
    assert not found.also["mode"].flags.writeable


def test_a_lock_slips_until_it_holds_and_an_unlock_sets_free() -> None:
    # it moves on for 0.25 s at 10 deg/s: 2.5 deg of slip, held at 7.5, asked for 5
    lock, unlock = rows_of(signals(joint()))
    assert (lock["to"], lock["outcome"], lock["lock_failed"], lock["unlock_failed"]) == ("locked", "held", 0, None)
    assert lock["start_us"] == 3_000_000
    assert lock["time_to_hold_s"] == pytest.approx(0.25, abs=0.05 / 10.0 + 3 * lock["time_to_hold_u_s"])
    assert lock["slip"] == pytest.approx(2.5, abs=3 * lock["slip_u"])
    assert lock["motion_held"] == pytest.approx(7.5, abs=0.01)
    assert lock["lock_error"] == pytest.approx(2.5, abs=0.01)
    assert (unlock["to"], unlock["outcome"], unlock["unlock_failed"]) == ("unlocked", "released", 0)
    assert unlock["time_to_free_s"] == 0.0
    assert unlock["travel"] == pytest.approx(12.0, abs=0.1)


def test_a_lock_that_stands_at_once_holds_at_once() -> None:
    lock, _ = rows_of(signals(joint(speed=0.0)))
    assert lock["time_to_hold_s"] == 0.0
    assert lock["slip"] == pytest.approx(0.0, abs=3 * lock["slip_u"])
    # the elastic part of 20 N*m is no slip; where nothing is taken off, it is not still in its time
    plain, _ = rows_of(signals(joint(speed=0.0)), block=BLOCK.model_copy(update={"locked_stiffness": None}))
    assert plain["slip"] > 10.0 * abs(lock["slip"]) or plain["outcome"] != "held"


def test_a_lock_that_goes_on_moving_failed() -> None:
    lock, _ = rows_of(signals(joint(stops_after_s=5.0)))
    assert (lock["outcome"], lock["lock_failed"]) == ("failed", 1)
    for name in ("time_to_hold_s", "slip", "motion_held", "lock_error"):
        assert np.isnan(lock[name]), name
    assert lock["travel"] == pytest.approx(20.0, rel=0.02)


def test_a_lock_that_never_had_a_load_is_not_tested() -> None:
    lock, _ = rows_of(signals(joint(loaded_from_s=6.0)))
    assert (lock["outcome"], lock["lock_failed"]) == ("not tested", None)
    assert np.isnan(lock["time_to_hold_s"])
    assert "no load came on it" in lock["remark"]


def test_an_unlock_that_goes_on_carrying_failed() -> None:
    made = joint(speed=0.0)
    late = T >= UNLOCK_S
    made["load"][late] = np.minimum(20.0, 40.0 * (T[late] - UNLOCK_S))
    made["motion"][late] = 5.0 + made["load"][late] / 160.0  # stands, stiffer than locked
    _, unlock = rows_of(signals(made), block=BLOCK.model_copy(update={"still": Quantity(0.2, "angle")}))
    assert (unlock["outcome"], unlock["unlock_failed"]) == ("failed", 1)


def test_bounces_are_counted_and_are_no_changes() -> None:
    made = joint()
    made["mode"][302:304] = 0.0  # falls back twice after the lock at sample 300
    made["mode"][305] = 0.0
    made["mode"][600] = 0.0  # and once in between
    builder = LockBuilder(BLOCK, RIG)
    builder.feed(signals(made))
    lock, unlock = builder.finish()
    assert (lock["start_us"], lock["bounces"], unlock["bounces"]) == (3_000_000, 2, 0)
    assert builder.glitches == 1
    assert lock["slip"] == pytest.approx(2.5, abs=3 * lock["slip_u"])
    quick = BLOCK.model_copy(update={"bounce_time": 0.0})
    assert len(rows_of(signals(made), block=quick)) == 8


def test_missing_values_and_other_modes_say_nothing() -> None:
    made = joint()
    made["mode"][100:200] = np.nan
    made["mode"][500:520] = 7.0
    assert len(rows_of(signals(made))) == 2
    made["mode"][250:340] = np.nan  # the change itself is hidden: its time is not known
    lock, _ = rows_of(signals(made))
    assert (lock["outcome"], lock["lock_failed"]) == ("time not known", None)
    assert np.isnan(lock["slip"])
    made["mode"][:] = np.nan
    assert rows_of(signals(made)) == []


def test_a_gap_or_the_end_of_the_log_cuts_a_change_short() -> None:
    whole = signals(joint())
    for piece in (whole.part(0, 340), whole.select((T < 3.4) | (T > 3.8))):
        lock = rows_of(piece)[0]
        assert (lock["outcome"], lock["lock_failed"]) == ("cut short", None)
        assert np.isnan(lock["time_to_hold_s"])
        assert lock["remark"]


def test_a_next_change_ends_the_time_of_the_one_before() -> None:
    made = joint(stops_after_s=5.0)
    made["mode"][400:450] = 0.0
    first, second, *_ = rows_of(signals(made))
    assert (first["outcome"], first["duration_s"]) == ("failed", pytest.approx(0.99))
    assert second["to"] == "unlocked"


def test_the_angle_asked_for_may_stand_in_a_channel() -> None:
    block = BLOCK.model_copy(update={"asked": None, "asked_channel": "setpoint"})
    lock, _ = rows_of(signals(joint(), np.where(T < 2.0, 0.0, 7.0)), block=block)
    assert (lock["asked"], lock["lock_error"]) == (7.0, pytest.approx(0.5, abs=0.01))


@pytest.mark.parametrize("cut", [499, 500, 501, 502, 503, 504])
def test_a_change_that_is_not_sure_yet_is_waited_for(cut: int) -> None:
    made = joint(stops_after_s=5.0)
    made["mode"][498:600] = 0.0  # just before the time of the lock at 3 s is over, at 5 s
    whole = signals(made)
    rows = rows_of(whole)
    assert rows[0]["duration_s"] == pytest.approx(1.97)
    assert repr(rows_of(whole.part(0, cut), whole.part(cut, len(whole)))) == repr(rows)


@settings(max_examples=25)
@given(st.lists(st.integers(0, T.size), max_size=6).map(sorted), st.integers(0, 3))
def test_where_a_batch_ends_changes_nothing(places: list[int], spoil: int) -> None:
    made = joint()
    if spoil > 0:
        made["mode"][302:305] = 0.0
    if spoil > 1:
        made["mode"][420:450] = 0.0
    if spoil > 2:
        made["mode"][890:1200] = np.nan
    whole = signals(made)
    pieces = [whole.part(a, b) for a, b in pairwise([0, *places, len(whole)]) if b > a]
    assert repr(rows_of(*pieces)) == repr(rows_of(whole))


def test_a_change_without_load_or_motion_is_a_row_without_figures_however_it_is_cut() -> None:
    """Three locks; of the second no row has a motion, of the third the first 0.2 s have none."""
    made, rows = joint(), 3 * T.size
    time_us = np.rint(np.arange(rows) * 1e4).astype(np.int64)
    load, motion, mode = (np.tile(made[name], 3) for name in ("load", "motion", "mode"))
    lost = (time_us > 14_500_000) & (time_us < 21_500_000) | (time_us > 26_990_000) & (time_us < 27_200_000)
    whole = Signals(time_us, load, motion, np.empty(0), np.empty(0), also={"mode": mode})
    builder = LockBuilder(BLOCK, RIG)
    builder.feed(whole.select(~lost))
    measured = builder.finish()
    for pieces in ([0, rows], [0, 1500, 1501, 2000, rows]):
        scan = ModeScan(BLOCK, 50_000)
        for a, b in pairwise(pieces):
            scan.feed(time_us[a:b], mode[a:b])
        found = scan.with_unmeasured(measured)
        assert [row["lock_change"] for row in found] == [1, 2, 3, 4, 5, 6]
        assert [row["start_us"] // 10_000 for row in found] == [300, 900, 1500, 2100, 2720, 3300]
        assert [row["outcome"] for row in found][2:4] == ["not measured"] * 2
        assert found[2]["lock_failed"] is None
