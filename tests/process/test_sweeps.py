"""Sweeps of an invented free joint."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.config.model import Quantity
from benchpipe.config.plan import SweepBlock
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig, TimeConfig
from benchpipe.process.signals import Signals
from benchpipe.process.sweeps import SweepBuilder

RIG = RigConfig(
    name="r",
    time=TimeConfig(column="t", sample_rate="50 Hz"),
    channel=(ChannelConfig(name="load", column="f", unit="N*m"), ChannelConfig(name="motion", column="x", unit="deg")),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)


def block(lowpass: str | None = None) -> SweepBlock:
    return SweepBlock(
        name="free", kind="sweep", frequency="0.1 Hz", low=Quantity(-4.0, "angle"), high=Quantity(4.0, "angle"),
        resistance_between=(Quantity(-8.0, "angle"), Quantity(8.0, "angle")), usable_load=Quantity(3.0, "torque"),
        lowpass=lowpass,
    )  # fmt: skip


def sweeps(load: np.ndarray, motion: np.ndarray, how: SweepBlock, gap_at: int | None = None) -> pa.Table:
    time_us = np.arange(load.size) * 20_000
    if gap_at is not None:
        time_us[gap_at:] += 300_000
    nothing = np.empty(0)
    return SweepBuilder(how, RIG).feed(Signals(time_us, load, motion, nothing, nothing).copy())


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
        assert row["resistance_forward"] == pytest.approx(0.8)
        assert row["resistance_back"] == pytest.approx(0.8)
        assert row["usable_range"] == pytest.approx(22 + 2 * (3 + 0.8) / 8, abs=0.2)  # friction helps on the way back


def test_a_low_pass_takes_noise_off_the_resistance_and_nothing_off_the_range() -> None:
    noisy = LOAD + 0.1 * np.random.default_rng(1).standard_normal(LOAD.size)
    raw, calm = sweeps(noisy, MOTION, block()), sweeps(noisy, MOTION, block("1 Hz"))
    assert min(raw.column("resistance_forward").to_pylist()) > 1.0  # the highest noise
    assert calm.column("resistance_forward").to_pylist() == pytest.approx([0.8] * 3, abs=0.1)
    for name in ("motion_min", "motion_max", "usable_range"):
        assert calm.column(name) == raw.column(name)


@pytest.mark.parametrize("column", ["resistance_forward", "resistance_back", "usable_range", "energy_j"])
def test_a_dead_load_cell_and_a_gap_are_no_measure(column: str) -> None:
    dead = sweeps(np.zeros(LOAD.size), MOTION, block())
    assert dead.num_rows == 3
    assert dead.column(column).null_count == 3
    gapped = sweeps(LOAD, MOTION, block(), gap_at=800)
    assert gapped.column(column).null_count == 1
