"""What a plain NumPy computation finds in logs without noise is what the truth says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from simulated import cycles, scenario, table

from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import HoldConfig, SweepConfig
from benchpipe.simulate.specimen import DirectionConfig, FreeConfig, LockConfig, LossConfig, SpringConfig

STEADY = {"reference_temperature_c": 22.0}  # the room's: oil and spring stay as configured
K, C, F = 10.0, 0.3, 2.0  # N m/deg, N m s/deg, N m


@pytest.mark.parametrize("frequency", [0.5, 2.0])
def test_a_spring_and_dashpot_trace_an_ellipse(tmp_path: Path, frequency: float) -> None:
    # E = pi T0 x0 sin d (x in rad for J), tan d = c w / k; loss factor with E_s = T0 x0 / 2 is sin d: any text on
    # damping. A polygon of N points has the area of the ellipse times sin(2 pi / N) / (2 pi / N), recomputed.
    n = 200
    made = scenario(
        cycles(6, frequency_hz=frequency),
        rig={"sample_rate_hz": n * frequency},
        specimen={"loss": LossConfig(damping=C), **STEADY},
    )
    result = simulate(made, tmp_path / "run")
    truth = pq.read_table(result.cycles_file).to_pylist()
    time, load, motion, *_ = table(tmp_path / "run")
    lag = np.arctan(C * 2.0 * np.pi * frequency / K)
    half = 37.5 / np.hypot(K, C * 2.0 * np.pi * frequency)
    energy = np.pi * 37.5 * np.deg2rad(half) * np.sin(lag)
    for row in truth:
        first = int(np.argmin(np.abs(time - row["start_s"])))
        t, x = load[first : first + n], np.deg2rad(motion[first : first + n])
        found = 0.5 * np.sum(t * (np.roll(x, -1) - np.roll(x, 1)))
        assert found == pytest.approx(energy * np.sinc(2.0 / n), rel=1e-5)
        assert row["energy_j"] == pytest.approx(energy, rel=1e-12)
        assert row["loss_factor"] == pytest.approx(np.sin(lag), rel=1e-12)
        assert row["motion_range"] == pytest.approx(2.0 * half, rel=1e-12)
        # phase of motion behind load, by their first harmonics
        wave = np.exp(-2j * np.pi * np.arange(n) / n)
        assert np.angle((t @ wave) / (x @ wave)) == pytest.approx(lag, abs=1e-5)


def test_a_spring_and_friction_trace_a_parallelogram(tmp_path: Path) -> None:
    # corners (valley, peak) and a shift of 2 F in load between the branches: area 2 F dx, dx = (dT - 2 F) / k
    made = scenario(cycles(4), rig={"sample_rate_hz": 1000.0}, specimen={"loss": LossConfig(friction=F), **STEADY})
    result = simulate(made, tmp_path / "run")
    time, load, motion, *_ = table(tmp_path / "run")
    travel = (75.0 - 2.0 * F) / K
    for row in pq.read_table(result.cycles_file).to_pylist():
        inside = (time >= row["start_s"] - 1e-9) & (time < row["start_s"] + 1.0 - 1e-9)
        t, x = load[inside], motion[inside]
        assert np.ptp(x) == pytest.approx(travel, abs=2e-6)
        found = 0.5 * np.sum(t * (np.roll(x, -1) - np.roll(x, 1)))
        assert found == pytest.approx(2.0 * F * travel, rel=1e-4)
        assert row["energy_j"] == pytest.approx(np.deg2rad(2.0 * F * travel), rel=1e-12)
        assert row["secant_stiffness"] == pytest.approx(75.0 / travel, rel=1e-12)
        # the two branches are 2 F apart, and each has the spring's slope
        middle = np.abs(x - 0.5 * (x.min() + x.max())) < 0.3 * travel
        up, down = (
            np.polyfit(x[middle & side], t[middle & side], 1)
            for side in (np.arange(len(t)) < 500, np.arange(len(t)) >= 500)
        )
        assert (up[0], down[0]) == pytest.approx((K, K), rel=1e-4)
        assert up[1] - down[1] == pytest.approx(2.0 * F, rel=1e-3)


@pytest.mark.parametrize("exponent", [1.0, 0.5])
def test_creep_and_leak_are_the_coefficients_of_a_straight_fit(tmp_path: Path, exponent: float) -> None:
    lock = LockConfig(
        reference_load=40.0, creep_per_decade=0.03, creep_time_s=2.0, leak_per_h=0.6, leak_exponent=exponent
    )
    blocks = [HoldConfig(name=f"h{load}", load=float(load), duration_s=3600.0) for load in (20, 80)]
    made = scenario(*blocks, specimen={"lock": lock, **STEADY}, rig={"sample_rate_hz": 2.0})
    result = simulate(made, tmp_path / "run")
    time, _, motion, *_ = table(tmp_path / "run")
    leaks = []
    for block in result.blocks:
        hold = block.hold
        assert hold is not None
        held = (time >= hold.load_reached_s) & (time < hold.unload_s)
        since = time[held] - hold.load_reached_s
        terms = np.stack([np.ones_like(since), np.log10(1.0 + since / 2.0), since / 3600.0], axis=1)
        (_, creep, leak), *_ = np.linalg.lstsq(terms, motion[held], rcond=None)
        assert creep == pytest.approx(hold.creep_per_decade, rel=1e-5)
        assert leak == pytest.approx(hold.leak_per_h_start, rel=1e-5)
        assert leak == pytest.approx(hold.leak_per_h_end, rel=1e-5)
        assert hold.creep_per_decade == pytest.approx(0.03 * hold.load / 40.0)
        leaks.append(leak)
    assert np.log(leaks[1] / leaks[0]) / np.log(80.0 / 20.0) == pytest.approx(exponent, rel=1e-4)


def test_sweep_coefficients_are_those_of_a_straight_fit(tmp_path: Path) -> None:
    free = FreeConfig(
        rising=DirectionConfig(coulomb=0.5, laminar=0.02, orifice=4e-4),
        falling=DirectionConfig(coulomb=0.45, laminar=0.025, orifice=5e-4),
        lower_stop=-8.0, upper_stop=16.0, breakaway=0.3, breakaway_motion=0.2,
    )  # fmt: skip
    block = SweepConfig(name="free", speeds=(5.0, 15.0, 45.0), sweeps=2)
    result = simulate(scenario(block, specimen={"free": free}), tmp_path / "run")
    sweep = result.blocks[0].sweep
    assert sweep is not None
    time, load, motion, *_ = table(tmp_path / "run")
    speed = np.gradient(motion, time)
    clear = np.abs(motion - 8.0) < 5.0  # of stops, turns and rest, where breakaway is
    for sign, truth in ((1.0, sweep.rising), (-1.0, sweep.falling)):
        one_way = clear & (sign * speed > 1.0)
        w = np.abs(speed[one_way])
        terms = np.stack([np.ones_like(w), w, w**2], axis=1)
        found, *_ = np.linalg.lstsq(terms, sign * load[one_way], rcond=None)
        assert found == pytest.approx([truth.coulomb, truth.laminar, truth.orifice], rel=1e-3)
    # the oil is colder than where the coefficients hold: thicker, and the dashpot's part alone feels it
    assert sweep.temperature_c == 22.0
    assert sweep.rising.laminar / 0.02 == sweep.falling.laminar / 0.025 > 1.1
    assert (sweep.rising.coulomb, sweep.rising.orifice) == (0.5, 4e-4)


def test_a_cubic_spring_shows_both_constants(tmp_path: Path) -> None:
    made = scenario(cycles(5), rig={"sample_rate_hz": 500.0}, specimen=STEADY)
    made = made.model_copy(
        update={"specimen": made.specimen.model_copy(update={"spring": SpringConfig(stiffness=K, cubic=0.4)})}
    )
    result = simulate(made, tmp_path / "run")
    time, load, motion, *_ = table(tmp_path / "run")
    segment = result.blocks[0].segments[0]
    cycling = (time >= segment.start_s) & (time < segment.end_s)
    load, motion = load[cycling], motion[cycling]
    cubes = np.stack([motion, motion**3], axis=1)
    found, *_ = np.linalg.lstsq(cubes, load, rcond=None)
    assert found == pytest.approx([K, 0.4], rel=1e-5)
    secant = (load.max() - 5.0) / (motion.max() - motion[np.argmin(np.abs(load - 5.0))])
    truth = pq.read_table(result.cycles_file)["secant_stiffness"].to_numpy()
    assert secant == pytest.approx(truth[0], rel=1e-5)


def test_a_sweep_with_a_pause_stands_still_once_a_leg_and_breaks_away_again(tmp_path: Path) -> None:
    free = FreeConfig(
        rising=DirectionConfig(coulomb=0.5), falling=DirectionConfig(coulomb=0.4), lower_stop=-8.0, upper_stop=8.0,
        breakaway=0.3, breakaway_motion=0.5,
    )  # fmt: skip
    block = SweepConfig(name="free", speeds=(5.0,), sweeps=2, pause_s=1.5)
    simulate(scenario(block, specimen={"free": free}), tmp_path / "run")
    _, load, motion, *_ = table(tmp_path / "run")
    rest = motion[0]
    still = np.flatnonzero(np.abs(motion - rest) < 1e-9)
    pauses = [p for p in np.split(still, np.flatnonzero(np.diff(still) > 1) + 1) if p.size >= 150]
    assert len(pauses) == 5  # two sweeps, there and back, and the end
    for pause, (held, way) in zip(pauses[:4], [(0.5, 1.0), (-0.4, -1.0)] * 2, strict=True):
        assert load[pause[5:140]] == pytest.approx(held)
        away = abs(held) + 0.3 * np.exp(-0.1 / 0.5)  # two samples on
        assert way * load[pause[-1] + 2] == pytest.approx(away, abs=1e-4)
