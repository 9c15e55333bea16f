"""Stance windows found and measured (invented signals, truth known), whatever the batches and nights."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.stance.measure import OpenStretch, StanceBuilder
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.samples.signals import Signals
from benchpipe.samples.silences import with_silences

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="50 Hz"),
    channel=(ChannelConfig(name="load", column="f", unit="N*m"), ChannelConfig(name="motion", column="x", unit="deg")),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)
STIFFNESS, NOISE = 20.0, 0.003


def block(low: float = 28.0, high: float = 32.0, **more: Any) -> StanceBlock:
    limits = {"load_min": Quantity(low, "torque"), "load_max": Quantity(high, "torque")}
    return StanceBlock(name="stood", kind="stance", **{**limits, **more})


def stood(lengths: tuple[float, ...], *, sway: float = 0.0, drift_per_s: float = 0.0) -> Signals:
    """Stretches at 30 N*m of these lengths [s], with 2 s without load before, between and after."""
    rng = np.random.default_rng(8)
    parts = [np.zeros(100)]
    for length in lengths:
        t = np.arange(round(length * 50)) / 50
        parts += [30.0 + sway * np.sin(2 * np.pi * t / 3.0), np.zeros(100)]
    load = np.concatenate(parts)
    time = np.arange(load.size) / 50
    motion = load / STIFFNESS + drift_per_s * time + NOISE * rng.standard_normal(load.size)
    load = load + 0.05 * rng.standard_normal(load.size)
    nothing = np.empty(0)
    return heard(Signals(np.rint(time * 1e6).astype(np.int64), load, motion, nothing, nothing))


def heard(signals: Signals, other_us: tuple[int, ...] = ()) -> Signals:
    """The signals of a log whose other rows are of another mode."""
    return with_silences(signals, np.array(other_us, np.int64), None)[0].copy()


def windows(signals: Signals, how: StanceBlock) -> list[dict[str, Any]]:
    return StanceBuilder(how, RIG, OpenStretch()).feed(signals if signals.silence_us.size else heard(signals))


def test_each_long_enough_stretch_gives_one_window_of_the_asked_length() -> None:
    found = windows(stood((12.0, 5.0, 9.5, 30.0)), block())
    assert [row["stance"] for row in found] == [1, 2, 3]
    assert {row["duration_s"] for row in found} == {8.0}
    assert {row["samples"] for row in found} == {401}
    assert [row["start_us"] for row in found] == [3_000_000, 24_000_000, 35_500_000]  # 1 s after the load came


def test_a_drift_is_found_and_a_still_joint_has_none() -> None:
    (still,) = windows(stood((12.0,)), block())
    assert abs(still["drift"]) < 3 * still["drift_u"] < 0.005
    (moving,) = windows(stood((12.0,), drift_per_s=0.005), block())
    assert moving["drift"] == pytest.approx(0.04, abs=3 * moving["drift_u"])
    assert moving["drift_per_h"] == pytest.approx(18.0, abs=3 * moving["drift_u_per_h"])
    assert moving["drift"] > 4 * moving["drift_u"]


def test_means_are_over_time_where_rows_were_rejected() -> None:
    whole = stood((32.0,), drift_per_s=0.01)
    late = whole.time_us > 20_000_000
    thin = whole.select(~late | (np.arange(len(whole)) % 10 == 0))
    how = block(window="30 s")
    (row,), (asked,) = windows(thin, how), windows(whole, how)
    assert row["samples"] < 0.7 * asked["samples"]
    assert row["motion_mean"] == pytest.approx(asked["motion_mean"], abs=0.002)
    assert row["load_mean"] == pytest.approx(asked["load_mean"], abs=0.03)


def test_ranges_of_a_still_joint_are_those_of_its_noise() -> None:
    (row,) = windows(stood((32.0,)), block(window="30 s"))
    assert row["motion_range_95"] == pytest.approx(3.92 * NOISE, abs=3 * row["motion_range_95_u"])
    assert row["motion_range"] == pytest.approx(6.5 * NOISE, abs=1.5 * NOISE)  # the largest of 1,500 normal readings
    assert row["motion_range_u"] == pytest.approx(np.sqrt(2) * NOISE, rel=0.1)


def test_a_sway_moves_the_joint_by_its_compliance_and_its_drift_is_found_beside() -> None:
    how = block(20.0, 40.0, posture="sway")
    assert how.window_s == 30.0
    (row,) = windows(stood((32.0,), sway=8.0, drift_per_s=0.002), how)
    assert row["compliance"] == pytest.approx(1 / STIFFNESS, abs=3 * row["compliance_u"] + 2e-5)
    assert row["drift"] == pytest.approx(0.06, abs=3 * row["drift_u"])
    assert row["drift_u"] < 0.003
    assert row["motion_range"] == pytest.approx(16.0 / STIFFNESS + 0.06, abs=0.02)


def test_a_short_excursion_ends_no_stretch_and_a_long_one_does() -> None:
    whole = stood((10.0,))
    for samples, count in ((8, 1), (20, 0)):
        load = whole.load.copy()
        load[300 : 300 + samples] = 60.0
        spoilt = Signals(whole.time_us, load, whole.motion, whole.temperature, whole.counter)
        assert len(windows(spoilt, block())) == count


def test_a_gap_ends_a_stretch() -> None:
    whole = stood((10.0,))
    time = whole.time_us.copy()
    time[300:] += 500_000
    cut = heard(Signals(time, whole.load, whole.motion, whole.temperature, whole.counter))
    (row,) = windows(cut, block())  # what is missing may hide a slip
    assert "drift" not in row
    assert (row["stance"], row["start_us"], row["samples"]) == (1, 3_000_000, 150)
    assert "a gap" in row["remark"]
    builder = StanceBuilder(block(), RIG, OpenStretch())
    night = builder.feed(cut.part(0, 280))
    again = StanceBuilder(block(), RIG, builder.stretch)
    first = int(np.searchsorted(cut.time_us, builder.stretch.from_us))
    assert night == []
    assert again.feed(cut.part(first, len(cut))) == [row]


def test_the_end_of_a_log_a_change_of_mode_and_the_settling_time_hide_nothing() -> None:
    whole = stood((10.0,))
    time = whole.time_us.copy()
    time[300:] += 500_000
    cut = heard(Signals(time, whole.load, whole.motion, whole.temperature, whole.counter))
    assert StanceBuilder(block(), RIG, OpenStretch(), [int(time[300])]).feed(cut) == []
    assert windows(heard(cut, (int(time[299]) + 20_000,)), block()) == []  # the rig went on in another mode
    time = whole.time_us.copy()
    time[120:] += 500_000  # the load came at 100, settling takes 50
    (row,) = windows(Signals(time, whole.load, whole.motion, whole.temperature, whole.counter), block())
    assert row["duration_s"] == 8.0


def test_a_channel_that_sticks_tells_nothing() -> None:
    whole = stood((10.0,))
    stuck = Signals(whole.time_us, whole.load, np.full(len(whole), 1.5), whole.temperature, whole.counter)
    (row,) = windows(stuck, block())
    assert np.isnan(row["drift"])
    assert np.isnan(row["motion_range"])
    assert "sticks" in row["remark"]


def test_without_limits_of_load_the_rows_of_a_mode_are_the_stance() -> None:
    how = StanceBlock(name="stood", kind="stance", mode=1)
    whole = stood((10.0,))
    assert len(windows(whole.part(100, 600), how)) == 1
    with pytest.raises(ValueError, match="something must tell where a stance is"):
        StanceBlock(name="stood", kind="stance")


@pytest.mark.parametrize("length", [12.0, 5.0])
def test_a_night_after_a_stretch_that_is_over_reads_only_what_is_new(length: float) -> None:
    whole = stood((length,))
    builder = StanceBuilder(block(), RIG, OpenStretch())
    builder.feed(whole)
    assert builder.stretch.from_us == whole.time_us[-1]
    assert builder.stretch.longest_us == (0 if length > 9.0 else 4_980_000)


WHOLE = stood((12.0, 5.0, 0.4, 9.5, 20.0, 3.0), drift_per_s=0.001)


@settings(max_examples=12)
@given(st.lists(st.integers(0, len(WHOLE)), max_size=6).map(sorted), st.data())
def test_where_a_batch_or_a_night_ends_changes_nothing(places: list[int], data: st.DataObject) -> None:
    one = StanceBuilder(block(), RIG, OpenStretch())
    expected = one.feed(WHOLE)
    builder, rows = StanceBuilder(block(), RIG, OpenStretch()), []
    for place, end in zip([0, *places], [*places, len(WHOLE)], strict=True):
        first = place
        if place and data.draw(st.booleans()):  # a night: only the stretch is kept, samples are read again
            builder = StanceBuilder(block(), RIG, OpenStretch(**vars(builder.stretch)))
            start = builder_from(builder, place)
            first = start
        rows += builder.feed(WHOLE.part(first, end)) if end > first else []
    assert len(expected) == 3
    assert rows_table("stances", rows, RIG) == rows_table("stances", expected, RIG)
    assert builder.stretch == one.stretch


def builder_from(builder: StanceBuilder, place: int) -> int:
    """First sample that another night reads."""
    return place if builder.from_us is None else int(np.searchsorted(WHOLE.time_us, builder.from_us))
