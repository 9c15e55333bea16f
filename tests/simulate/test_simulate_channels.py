"""The measuring chain: what it adds to true signals, across the borders of pieces too."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from simulated import channels, cycles, scenario, table

from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import HoldConfig, IdleConfig
from benchpipe.simulate.pieces import MOST_ROWS
from benchpipe.simulate.rig import RoomConfig

LONG = IdleConfig(name="rest", duration_s=2.5 * MOST_ROWS / 100.0)  # three pieces


def test_noise_is_white_and_never_repeats(tmp_path: Path) -> None:
    simulate(scenario(LONG, noise=0.5), tmp_path / "run")
    _, load, motion, *_ = table(tmp_path / "run")
    assert load.std() == pytest.approx(0.5, rel=0.01)
    assert motion.std() == pytest.approx(0.05, rel=0.01)
    for lag in (1, 2, MOST_ROWS):
        assert abs(np.corrcoef(load[lag:], load[:-lag])[0, 1]) < 0.01
    assert abs(np.corrcoef(load, motion)[0, 1]) < 0.01


def test_drift_and_wander_go_on_without_a_jump(tmp_path: Path) -> None:
    simulate(scenario(LONG, rig={"channels": channels(drift_per_h=3.6)}), tmp_path / "drift")
    time, load, *_ = table(tmp_path / "drift")
    np.testing.assert_allclose(load, time * 1e-3, atol=1e-6)
    simulate(scenario(LONG, rig={"channels": channels(wander=0.4, wander_s=2.0)}), tmp_path / "wander")
    load = table(tmp_path / "wander")[1]
    knots = load[::200]
    assert knots.std() == pytest.approx(0.4, rel=0.1)
    assert np.abs(np.diff(load)).max() <= np.abs(np.diff(knots)).max() / 200.0 + 2e-6


def test_the_machine_gives_way_under_load(tmp_path: Path) -> None:
    simulate(scenario(cycles(3), rig={"compliance": 0.02}), tmp_path / "run")
    _, load, motion, *_ = table(tmp_path / "run")
    np.testing.assert_allclose(motion, load * (0.1 + 0.02), atol=2e-6)


def test_samples_stay_on_the_rigs_grid_whatever_the_stretches_last(tmp_path: Path) -> None:
    hold = HoldConfig(name="hold", load=10.0, ramp_s=0.333, duration_s=2.0051, rest_before_s=0.777, recovery_s=0.123)
    simulate(scenario(hold, cycles(7, frequency_hz=1.3, approach_s=0.4567)), tmp_path / "run")
    np.testing.assert_allclose(np.diff(table(tmp_path / "run")[0]), 0.01, atol=1e-9)


def test_the_room_swings_once_a_day() -> None:
    room = RoomConfig(mean_c=20.0, swing_k=3.0, warmest_at_s=15 * 3600.0)
    clock = np.array([15.0, 27.0, 39.0, 21.0]) * 3600.0  # of the day; the run begins at 8 h
    np.testing.assert_allclose(room.temperature_c(clock - 8 * 3600.0, 8 * 3600.0), [23.0, 17.0, 23.0, 20.0])


def test_the_room_can_step() -> None:
    room = RoomConfig(mean_c=20.0, step_k=2.0, step_at_s=100.0)
    np.testing.assert_allclose(room.temperature_c(np.array([99.9, 100.0]), 0.0), [20.0, 22.0])
