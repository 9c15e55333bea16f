"""Cycles in closed form, against formulas of damping and against their own dense samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchpipe.simulate.waves import CONSTANTS, TRUTH, deflections, measure_cycles, sample_cycles

Floats = NDArray[np.float64]


def constants(**given_values: float) -> Floats:
    values = {
        "base": 5.0, "heel": 40.0, "peak": 80.0, "k1": 10.0, "k3": 0.0, "tau": 0.0, "friction": 0.0,
        "play": 0.0, "take_up": 2.0, "offset": 0.3, **given_values,
    }  # fmt: skip
    return np.array([[values[name] for name in CONSTANTS]])


def truth(c: Floats, f: float = 1.0, split: float = 0.0, by_motion: bool = False) -> dict[str, float]:
    return dict(zip(TRUTH, measure_cycles(c, f, split, by_motion)[0], strict=True))


def loop(c: Floats, f: float = 1.0, split: float = 0.0, by_motion: bool = False) -> tuple[Floats, Floats]:
    """One dense closed loop."""
    n = 40_000
    load, motion, temperature = np.empty(n), np.empty(n), np.empty(n)
    starts = np.array([0, n])
    sample_cycles(c, starts, 0, n * f, f, split, by_motion, 0.0, 0.0, np.zeros(2), load, motion, temperature)
    return load, motion


def area(load: Floats, motion: Floats) -> float:
    return float(0.5 * np.sum((load + np.roll(load, -1)) * (np.roll(motion, -1) - motion)))


def test_a_linear_spring_and_dashpot_lose_pi_c_omega_x0_squared() -> None:
    # facts of visco-elastic loops: E_d = pi c w x0^2 = pi T0 x0 sin(d), tan d = c w / k; any text on damping
    k, damping, f = 10.0, 0.4, 1.5
    got = truth(constants(k1=k, tau=damping / k), f)
    x0 = 0.5 * (got["motion_max"] - got["motion_min"])
    omega = 2.0 * np.pi * f
    lag = np.arctan(damping * omega / k)
    assert got["energy"] == pytest.approx(np.pi * damping * omega * x0**2, rel=1e-12)
    assert got["energy"] == pytest.approx(np.pi * 37.5 * x0 * np.sin(lag), rel=1e-12)
    assert x0 == pytest.approx(37.5 / np.hypot(k, damping * omega), rel=1e-12)
    # the slope between load extremes of an ellipse is |K| / cos d
    assert got["secant_stiffness"] == pytest.approx(np.hypot(k, damping * omega) / np.cos(lag), rel=1e-12)


def test_coulomb_friction_loses_a_parallelogram() -> None:
    k, friction = 10.0, 3.0
    got = truth(constants(k1=k, friction=friction))
    travel = (75.0 - 2.0 * friction) / k
    assert got["motion_max"] - got["motion_min"] == pytest.approx(travel, rel=1e-12)
    assert got["energy"] == pytest.approx(2.0 * friction * travel, rel=1e-12)


def test_friction_that_nothing_overcomes_holds_still() -> None:
    got = truth(constants(friction=50.0, tau=0.02, play=0.1))
    assert got["energy"] == 0.0
    assert got["motion_max"] == got["motion_min"]


@pytest.mark.parametrize("cubic", [0.0, 0.05])
def test_under_motion_control_viscous_and_coulomb_losses_add(cubic: float) -> None:
    k, damping, friction, f = 10.0, 0.4, 3.0, 2.0
    c = constants(base=-4.0, peak=6.0, k1=k, k3=cubic, tau=damping / k, friction=friction, offset=0.0)
    got = truth(c, f, by_motion=True)
    assert got["energy"] == pytest.approx(np.pi * damping * 2 * np.pi * f * 25.0 + 4.0 * friction * 5.0, rel=1e-12)
    load, motion = loop(c, f, by_motion=True)
    assert area(load, motion) == pytest.approx(got["energy"], rel=1e-6)
    assert (load.max(), load.min()) == pytest.approx((got["peak_load"], got["valley_load"]), rel=1e-6)
    if not cubic:
        reach = np.hypot(k, damping * 2 * np.pi * f) * 5.0
        assert got["peak_load"] == pytest.approx(k * 1.0 + reach + friction, rel=1e-12)
        assert got["secant_stiffness"] == pytest.approx(k, rel=1e-12)


@given(
    k3=st.sampled_from([0.0, 0.01, 0.3]),
    tau=st.floats(0.0, 0.03),
    friction=st.floats(0.0, 8.0),
    play=st.sampled_from([0.0, 0.2]),
    base=st.sampled_from([5.0, -60.0, 0.0]),
    split=st.sampled_from([0.0, 0.4]),
    f=st.sampled_from([0.5, 1.0, 3.0]),
)
def test_the_truth_is_what_a_dense_log_without_noise_shows(
    k3: float, tau: float, friction: float, play: float, base: float, split: float, f: float
) -> None:
    c = constants(k3=k3, tau=tau, friction=friction, play=play, base=base)
    got = truth(c, f, split)
    load, motion = loop(c, f, split)
    assert area(load, motion) == pytest.approx(got["energy"], rel=2e-5, abs=1e-6)
    assert load.max() == pytest.approx(got["peak_load"], abs=1e-5)
    assert load.min() == pytest.approx(got["valley_load"], abs=1e-5)
    assert motion.max() == pytest.approx(got["motion_max"], abs=1e-5)
    assert motion.min() == pytest.approx(got["motion_min"], abs=1e-5)
    assert motion[load.argmax()] == pytest.approx(got["motion_at_peak"], abs=1e-3)
    assert motion[0] == pytest.approx(got["motion_at_valley"], abs=1e-9)


def test_a_two_step_cycle_has_two_peaks() -> None:
    load, _ = loop(constants(), split=0.4)
    rises = np.flatnonzero((load[1:-1] > load[:-2]) & (load[1:-1] >= load[2:])) + 1
    assert load[rises] == pytest.approx([40.0, 80.0], abs=1e-3)


def test_the_spring_is_inverted_to_the_last_bits() -> None:
    load = np.linspace(-200.0, 200.0, 4001)
    x = deflections(load, 3.0, 0.7, 0.0, 1.0)
    np.testing.assert_allclose(3.0 * x + 0.7 * x**3, load, rtol=4e-16, atol=1e-13)


def test_lash_gap_at_zero_load_is_the_play() -> None:
    # both branches extrapolated to zero load stand the play apart
    load, motion = loop(constants(base=-80.0, play=0.5, offset=0.0))
    up = np.polyfit(load[load > 20], motion[load > 20], 1)[1]
    down = np.polyfit(load[load < -20], motion[load < -20], 1)[1]
    assert up - down == pytest.approx(0.5, rel=1e-9)


def test_where_a_chunk_begins_changes_no_bit() -> None:
    c = np.repeat(constants(tau=0.02, friction=2.0, k3=0.1), 7, axis=0)
    c[:, 9] = np.arange(7) * 0.01
    per = 100.0 / 1.3
    starts = np.ceil(np.arange(8) * per - 1e-6).astype(np.int64)
    whole = [np.empty(starts[-1]) for _ in range(3)]
    sample_cycles(c, starts, 0, 100.0, 1.3, 0.0, False, 0.001, -0.002, np.arange(8.0), *whole)
    parts: list[list[Floats]] = []
    for a, b in ((0, 3), (3, 4), (4, 7)):
        out = [np.empty(starts[b] - starts[a]) for _ in range(3)]
        sample_cycles(c[a:b], starts[a : b + 1], a, 100.0, 1.3, 0.0, False, 0.001, -0.002, np.arange(a, b + 1.0), *out)
        parts.append(out)
    for k in range(3):
        assert np.array_equal(whole[k], np.concatenate([p[k] for p in parts]))


def test_skew_shifts_a_channel_by_its_time() -> None:
    c = constants(tau=0.0)
    load, motion, t = (np.empty(1000) for _ in range(3))
    sample_cycles(c, np.array([0, 1000]), 0, 1000.0, 1.0, 0.0, False, 0.0, 0.005, np.zeros(2), load, motion, t)
    np.testing.assert_allclose(10.0 * (motion[5:] - 0.3), load[:-5], atol=1e-9)
