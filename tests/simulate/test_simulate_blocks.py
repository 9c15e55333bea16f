"""Holds, sweeps and proofs: a log without noise shows what the truth says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from simulated import cycles, scenario, table

from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import HoldConfig, IdleConfig, ProofConfig, SweepConfig
from benchpipe.simulate.rig import RoomConfig
from benchpipe.simulate.specimen import (
    AgeingConfig,
    BacklashConfig,
    DirectionConfig,
    FreeConfig,
    LockConfig,
    LossConfig,
)


def test_a_hold_creeps_leaks_and_follows_temperature_as_told(tmp_path: Path) -> None:
    lock = LockConfig(
        reference_load=50.0, creep_per_decade=0.05, creep_time_s=2.0, leak_per_h=0.5, leak_exponent=0.5,
        expansion_per_k=0.01,
    )  # fmt: skip
    block = HoldConfig(name="hold", load=80.0, duration_s=3600.0, ramp_s=3.0, recovery_s=600.0)
    made = scenario(block, specimen={"lock": lock}, rig={"sample_rate_hz": 5.0, "room": RoomConfig(swing_k=4.0)})
    result = simulate(made, tmp_path / "run")
    hold = result.blocks[0].hold
    assert hold is not None
    time, load, motion, oil, _, locked = table(tmp_path / "run")
    since = time - hold.load_reached_s
    held = (since >= 0) & (time < hold.unload_s)
    assert np.all(load[held] == 80.0)
    assert np.all(locked == 1)
    for point in hold.points[:-1]:
        k = int(np.argmin(np.abs(since - point.time_s)))
        assert motion[k] == pytest.approx(point.motion, abs=2e-6)
        assert point.creep == pytest.approx(0.08 * np.log10(1.0 + point.time_s / 2.0), rel=1e-12)
    # the law once more, from its text: elastic + log creep + leak + expansion
    rate = 0.5 * (80.0 / 50.0) ** 0.5 / made.specimen.thinning(oil) / 3600.0
    leak = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])[held[1:]] * 0.2)])[: held.sum()]
    law = 8.0 + 0.08 * np.log10(1.0 + since[held] / 2.0) + leak + 0.01 * (oil[held] - 25.0)
    np.testing.assert_allclose(motion[held] - law, (motion[held] - law)[0], atol=3e-6)
    assert hold.elastic_motion == 8.0
    assert hold.leak_per_h_start == pytest.approx(rate[held][0] * 3600.0, rel=1e-6)
    # after unloading log creep comes back, the leak does not
    assert motion[-1] - 0.01 * (oil[-1] - 25.0) == pytest.approx(hold.unrecovered, abs=1e-3)
    assert hold.unrecovered > hold.points[-1].leak


def test_wobble_is_answered_by_the_spring(tmp_path: Path) -> None:
    block = HoldConfig(name="hold", load=50.0, duration_s=70.0, wobble=2.0, wobble_s=7.0)
    result = simulate(scenario(block), tmp_path / "run")
    hold = result.blocks[0].hold
    assert hold is not None
    time, load, motion, *_ = table(tmp_path / "run")
    held = (time >= hold.load_reached_s) & (time < hold.unload_s)
    assert np.ptp(load[held]) == pytest.approx(4.0, abs=1e-3)
    np.testing.assert_allclose(motion[held], load[held] / 10.0, atol=2e-6)


def test_a_leak_goes_on_through_cycling_and_stays(tmp_path: Path) -> None:
    lock = LockConfig(reference_load=42.5, leak_per_h=36.0)
    made = scenario(cycles(100), IdleConfig(name="rest", duration_s=5.0), specimen={"lock": lock})
    made = made.model_copy(update={"specimen": made.specimen.model_copy(update={"reference_temperature_c": 22.0})})
    result = simulate(made, tmp_path / "run")
    *_, motion, _, _, _ = table(tmp_path / "run")
    assert motion[-1] == pytest.approx(36.0 / 3600.0 * 100.0, rel=1e-6)  # mean load 42.5 for 100 s
    lowest = pq.read_table(result.cycles_file)["motion_min"].to_numpy()
    np.testing.assert_allclose(np.diff(lowest), 0.01, rtol=1e-6)


def test_sweeps_resist_by_direction_and_speed_and_turn_on_the_stops(tmp_path: Path) -> None:
    free = FreeConfig(
        rising=DirectionConfig(coulomb=0.5, laminar=0.02, orifice=0.001),
        falling=DirectionConfig(coulomb=0.4, laminar=0.03),
        lower_stop=-8.0, upper_stop=16.0, stop_stiffness=10.0, breakaway=0.6, breakaway_motion=0.1,
    )  # fmt: skip
    block = SweepConfig(name="free", speeds=(5.0, 20.0), sweeps=2, turn_load=4.0)
    made = scenario(block, specimen={"free": free, "reference_temperature_c": 22.0})
    result = simulate(made, tmp_path / "run")
    sweep = result.blocks[0].sweep
    assert sweep is not None
    time, load, motion, _, _, locked = table(tmp_path / "run")
    assert np.all(locked == 0)
    assert (motion.min(), motion.max()) == pytest.approx((sweep.turn_low, sweep.turn_high), abs=0.21)
    assert (sweep.turn_low, sweep.turn_high) == pytest.approx((-8.4, 16.4))
    speed = np.gradient(motion, time)
    for k, w in enumerate((5.0, 20.0)):
        for sign, truth in ((1.0, sweep.rising), (-1.0, sweep.falling)):
            middle = (np.abs(speed - sign * w) < 1e-3) & (np.abs(motion - 4.0) < 3.0)
            assert middle.sum() > 50
            np.testing.assert_allclose(load[middle], sign * truth.at_speeds[k], atol=2e-6)
    assert sweep.rising.at_speeds == pytest.approx((0.5 + 0.1 + 0.025, 0.5 + 0.4 + 0.4))
    assert 4.0 < load.max() <= 4.0 + 1.3  # turn load and resistance, as far as samples reach into the turn
    # two there-and-back at each of two speeds, with the way from and to rest
    steps = np.diff(motion)
    assert np.count_nonzero(np.diff(np.sign(steps[steps != 0])) > 0) == 5


def test_a_proof_leaves_its_set(tmp_path: Path) -> None:
    lock = LockConfig(yield_load=100.0, set_per_load=0.004)
    block = ProofConfig(name="proof", settling_load=10.0, load=150.0, rate_per_s=20.0)
    again = block.model_copy(update={"name": "again"})
    specimen = {"lock": lock, "backlash": BacklashConfig(play=0.1)}
    result = simulate(scenario(block, again, specimen=specimen), tmp_path / "run")
    first, second = (b.proof for b in result.blocks)
    assert first is not None
    assert second is not None
    assert first.permanent_set == pytest.approx(0.2, rel=1e-9)
    assert first.motion_after - first.motion_before == pytest.approx(0.2, rel=1e-9)
    assert second.permanent_set == pytest.approx(0.0, abs=1e-12)
    time, load, motion, *_ = table(tmp_path / "run")
    held = (time >= first.load_reached_s) & (time < first.unload_s)
    assert held.sum() == 3000
    assert np.all(load[held] == 150.0)
    np.testing.assert_allclose(motion[held], first.motion_at_load, atol=1e-6)
    rate = np.diff(load)[(load[1:] > 12) & (load[1:] < 148)] * 100.0
    assert np.abs(rate).max() == pytest.approx(20.0, abs=1e-3)


def test_motion_never_jumps_where_one_stretch_follows_another(tmp_path: Path) -> None:
    specimen = {
        "loss": LossConfig(damping=0.2, friction=2.0, run_in_friction=1.0),
        "backlash": BacklashConfig(play=0.1),
        "lock": LockConfig(
            reference_load=50.0, creep_per_decade=0.05, leak_per_h=1.0, yield_load=90.0, set_per_load=0.01
        ),
    }
    made = scenario(
        IdleConfig(name="rest", duration_s=1.0), cycles(5), HoldConfig(name="hold", load=60.0, duration_s=60.0),
        SweepConfig(name="free", speeds=(10.0,), sweeps=1),
        ProofConfig(name="proof", settling_load=5.0, load=120.0, rate_per_s=50.0), cycles(5, name="more"),
        specimen=specimen,
    )  # fmt: skip
    simulate(made, tmp_path / "run")
    motion = table(tmp_path / "run")[2]
    fastest = np.pi * 7.5 * 1.1 / 100.0  # a haversine over 7.5 at 1 Hz, 100 samples a cycle
    assert np.abs(np.diff(motion)).max() < fastest


def test_an_elastomer_softens_and_recovers_at_rest(tmp_path: Path) -> None:
    ageing = AgeingConfig(softening=0.1, softening_cycles=3.0, recovery_s=100.0)
    made = scenario(
        cycles(40), IdleConfig(name="rest", duration_s=200.0), cycles(5, name="more"), specimen={"ageing": ageing}
    )
    result = simulate(made, tmp_path / "run")
    stiffness = pq.read_table(result.cycles_file)["secant_stiffness"].to_numpy()
    assert stiffness[0] == pytest.approx(11.0, rel=1e-9)
    assert stiffness[39] == pytest.approx(10.0, rel=1e-5)
    back = result.blocks[2].segments[0].softness_start
    assert back == pytest.approx(1.0 - np.exp(-2.01), abs=0.002)
    assert stiffness[40] == pytest.approx(10.0 * (1.0 + 0.1 * back), rel=1e-9)
