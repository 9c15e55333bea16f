"""Sweeps of an invented free joint: rows of the three tables, whatever the batches and nights."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.sweep.measure import SweepBuilder
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.blocks.sweep.resistance import block_rows
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


def block(lowpass: str | None = None, **more: Any) -> SweepBlock:
    return SweepBlock(
        name="free", kind="sweep", frequency="0.1 Hz", low=Quantity(-4.0, "angle"), high=Quantity(4.0, "angle"),
        resistance_between=(Quantity(-8.0, "angle"), Quantity(8.0, "angle")), usable_load=Quantity(3.0, "torque"),
        lowpass=lowpass, **more,
    )  # fmt: skip


def signals(load: np.ndarray, motion: np.ndarray, warm: np.ndarray | None = None) -> Signals:
    """Samples at 50 a second."""
    nothing = np.empty(0)
    return heard(Signals(np.arange(load.size) * 20_000, load, motion, nothing if warm is None else warm, nothing))


def heard(signals: Signals, other_us: tuple[int, ...] = ()) -> Signals:
    """The signals of a log whose other rows are of another mode."""
    return with_silences(signals, np.array(other_us, np.int64), None)[0].copy()


def sweeps(load: np.ndarray, motion: np.ndarray, how: SweepBlock, gap_at: int | None = None) -> pa.Table:
    whole = signals(load, motion)
    time_us = whole.time_us.copy()
    if gap_at is not None:
        time_us[gap_at:] += 300_000
    rows = SweepBuilder(how, RIG).feed(heard(Signals(time_us, load, motion, np.empty(0), np.empty(0))))
    return rows_table("sweeps", rows["sweeps"], RIG)


TIME = np.arange(0, 45, 0.02)
MOTION = 12 * np.abs((TIME / 5 - 0.5) % 2 - 1) * 2 - 12  # a triangle of +-12 deg, 10 s
RATE = np.gradient(MOTION)
STOP = np.where(np.abs(MOTION) > 11, 8 * (np.abs(MOTION) - 11) * np.sign(MOTION), 0.0)
LOAD = 0.8 * np.sign(RATE) + STOP


def test_range_and_resistance_of_a_clean_sweep() -> None:
    rows = sweeps(LOAD, MOTION, block()).to_pylist()
    assert len(rows) == 3
    for row in rows:
        assert row["motion_max"] - row["motion_min"] == pytest.approx(24, abs=0.2)
        assert row["range_of_motion"] == pytest.approx(22.0, abs=0.1)  # at the turn no friction shows
        assert row["resistance_forward"] == pytest.approx(0.8)
        assert row["resistance_back"] == pytest.approx(0.8)
        assert row["usable_range"] == pytest.approx(22 + 6 / 8, abs=0.2)  # friction helps where it leaves a stop
        assert row["asymmetry"] == pytest.approx(0.0, abs=1e-9)


def test_a_low_pass_takes_noise_off_the_resistance_and_nothing_off_the_range() -> None:
    noisy = LOAD + 0.1 * np.random.default_rng(1).standard_normal(LOAD.size)
    raw, calm = sweeps(noisy, MOTION, block()), sweeps(noisy, MOTION, block("1 Hz"))
    assert min(raw.column("resistance_forward").to_pylist()) > 1.0  # the highest noise
    assert calm.column("resistance_forward").to_pylist() == pytest.approx([0.8] * 3, abs=0.1)
    assert calm.column("resistance_forward_u")[0].as_py() < 0.5 * raw.column("resistance_forward_u")[0].as_py()
    for name in ("motion_min", "motion_max", "usable_range", "range_of_motion", "lower_stop"):
        assert calm.column(name) == raw.column(name)


@pytest.mark.parametrize("column", ["resistance_forward", "resistance_back", "usable_range", "energy_j", "lower_stop"])
def test_a_dead_load_cell_and_a_gap_are_no_measure(column: str) -> None:
    dead = sweeps(np.zeros(LOAD.size), MOTION, block())
    assert dead.num_rows == 3
    assert dead.column(column).null_count == 3
    assert "not measured" in dead.column("remark")[0].as_py()
    gapped = sweeps(LOAD, MOTION, block(), gap_at=800)
    assert gapped.column(column).null_count == 1


def incomplete(made: Signals, ends_us: tuple[int, ...] = ()) -> list[dict[str, Any]]:
    """Rows of what began and did not come back, the last of them where the samples end."""
    builder = SweepBuilder(block("4 Hz"), RIG, None, ends_us)
    return builder.feed(made)["incomplete_sweeps"] + builder.unfinished()


def caught() -> np.ndarray:
    """The load, with a catch of 3 N*m for 0.5 s, forward in the second sweep."""
    load = LOAD.copy()
    at = np.flatnonzero((TIME > 19) & (MOTION > 4.5) & (RATE > 0))[0]
    load[at : at + 25] += 3.0
    return load


def test_what_is_left_of_a_sweep_that_a_gap_broke_off_counts() -> None:
    whole = signals(caught(), MOTION)
    time = whole.time_us.copy()
    end = int(np.flatnonzero(np.abs(caught() - LOAD) > 1)[-1]) + 30
    time[end:] += 30_000_000
    cut = heard(Signals(time, whole.load, whole.motion, whole.temperature, whole.counter))
    begun, first, lead, last = incomplete(cut)
    assert not begun["broken_off"]  # the log begins within a sweep
    assert first["broken_off"]
    assert first["resistance_forward"] == pytest.approx(3.8, abs=0.05)
    assert not lead["broken_off"]  # what follows the gap lasts until the next rise
    assert not last["broken_off"]  # the log ends
    assert not incomplete(cut, (int(time[end]),))[1]["broken_off"]  # a log ended there
    moded = heard(cut, (int(time[end - 1]) + 20_000,))  # the rig went on in another mode
    assert not incomplete(moded)[1]["broken_off"]


def test_a_sweep_with_a_gap_shows_what_is_left_of_it() -> None:
    whole = signals(caught(), MOTION)
    time = whole.time_us.copy()
    at = int(np.flatnonzero(np.abs(caught() - LOAD) > 1)[0])
    time[at + 100 :] += 300_000
    rows = incomplete(heard(Signals(time, whole.load, whole.motion, whole.temperature, whole.counter)))
    assert [row["broken_off"] for row in rows] == [False, True, False]
    assert rows[1]["resistance_forward"] == pytest.approx(3.8, abs=0.05)
    assert rows[1]["resistance_back"] == pytest.approx(0.8, abs=0.05)


def test_a_load_that_is_held_in_a_sweep_is_stuck() -> None:
    noisy = (LOAD + 0.02 * np.random.default_rng(1).standard_normal(LOAD.size)).round(4).astype(np.float32)
    noisy[1000:1040] = noisy[999]
    rows = SweepBuilder(block(), RIG).feed(signals(noisy, MOTION))["sweeps"]
    assert [row["stuck_rows"] for row in rows] == [41, 0, 0]


PARTS = (0.5, 0.02, 4e-4)


def swept(speeds: tuple[float, ...], warmth: tuple[float, ...] = (25.0,), noise: float = 0.02) -> Signals:
    """Sweeps of +-10 deg at each speed and temperature, with the laminar part that thins by 4.6 % a kelvin."""
    rng = np.random.default_rng(5)
    motion, warm = [np.zeros(1)], [np.full(1, warmth[0])]
    for here in warmth:
        for speed in speeds:
            turns = (0, 10, -10, 10, -10, 6, 0)
            motion += [np.arange(a, b, np.sign(b - a) * speed / 50) for a, b in pairwise(turns)]
            warm.append(np.full(sum(leg.size for leg in motion) - sum(w.size for w in warm), here))
    x, w = np.concatenate(motion), np.concatenate(warm)
    rate = np.gradient(x) * 50
    thin = np.exp(-0.046 * (w - 25.0))
    size = PARTS[0] + thin * PARTS[1] * np.abs(rate) + PARTS[2] * rate**2
    w = w + 0.01 * rng.standard_normal(x.size)
    return signals(np.sign(rate) * size + noise * rng.standard_normal(x.size), x, w)


def resistance(made: Signals, how: SweepBlock) -> dict[str, dict[str, Any]]:
    """Rows of all sweeps together, by direction."""
    rows = SweepBuilder(how, RIG).feed(made)
    points = rows_table("resistance_points", rows["resistance_points"], RIG)
    single = rows_table("resistance", rows["resistance"], RIG)
    assert single.num_rows == 2 * len(rows["sweeps"])
    return {row["direction"]: row for row in block_rows(how, "deg", points, single)}


def test_three_speeds_tell_the_parts() -> None:
    how = block(reference_speed=Quantity(30.0 * 3600.0, "angle rate"))
    found = resistance(swept((4.0, 12.0, 30.0)), how)
    truth = {"coulomb": PARTS[0], "laminar": PARTS[1] * 30, "orifice": PARTS[2] * 900}
    for row in found.values():
        for name, value in truth.items():
            assert row[name] == pytest.approx(value, abs=3 * row[f"{name}_u"])
            assert 0 < row[f"{name}_u"] < 0.08
        assert row["reference_speed"] == pytest.approx(30.0)


@pytest.mark.parametrize("speeds", [(12.0,), (6.0, 24.0)])
def test_too_few_speeds_tell_no_parts_and_that_is_said(speeds: tuple[float, ...]) -> None:
    for row in resistance(swept(speeds), block()).values():
        assert all(np.isnan(row[name]) for name in ("coulomb", "laminar", "orifice"))
        assert ("one speed only" if len(speeds) == 1 else "not separable by speeds") in row["remark"]
        assert "breakaway: no start" in row["remark"]


def test_several_temperatures_give_the_thinning_and_the_laminar_part_at_their_mean() -> None:
    found = resistance(swept((4.0, 12.0, 30.0), (20.0, 30.0, 40.0)), block())
    for row in found.values():
        assert row["thinning_per_k"] == pytest.approx(0.046, abs=3 * row["thinning_u_per_k"])
        wanted = PARTS[1] * row["reference_speed"] * np.exp(-0.046 * (row["reference_c"] - 25.0))
        assert row["laminar"] == pytest.approx(wanted, abs=3 * row["laminar_u"])
    cold = resistance(swept((4.0, 12.0, 30.0)), block())["forward"]
    assert np.isnan(cold["thinning_per_k"])


WHOLE = swept((12.0, 30.0, 48.0), noise=0.05)


@settings(max_examples=15)
@given(st.lists(st.integers(0, len(WHOLE)), max_size=5).map(sorted), st.data())
def test_where_a_batch_or_a_night_ends_changes_nothing(places: list[int], data: st.DataObject) -> None:
    how = block()
    one = SweepBuilder(how, RIG).feed(WHOLE)
    builder, many = SweepBuilder(how, RIG), {name: [] for name in one}
    for place, end in zip([0, *places], [*places, len(WHOLE)], strict=True):
        first = place
        if place and builder.anchor is not None and data.draw(st.booleans()):  # a night: only the anchor is kept
            anchor = builder.anchor
            first = int(np.searchsorted(WHOLE.time_us, anchor.time_us))
            builder = SweepBuilder(how, RIG, anchor)
        if end > first:
            for name, rows in builder.feed(WHOLE.part(first, end)).items():
                many[name] += rows
    for name, rows in one.items():
        assert len(rows) >= 5 or name == "incomplete_sweeps"
        assert rows_table(name, many[name], RIG) == rows_table(name, rows, RIG)


@pytest.mark.parametrize("before", range(0, 14, 3))
def test_a_catch_at_the_angle_where_sweeps_begin_is_seen(before: int) -> None:
    """The low-pass reaches over the border of two sweeps: one of them sees enough of a catch that lies across it."""
    load = LOAD.copy()
    border = int(np.flatnonzero((MOTION[1:] >= 4.0) & (MOTION[:-1] < 4.0) & (TIME[1:] > 12))[0]) + 1
    load[border - before : border - before + 14] += 3.0
    rows = SweepBuilder(block("4 Hz"), RIG).feed(signals(load, MOTION))["sweeps"]
    assert max(row["resistance_forward"] for row in rows) > 3.0
