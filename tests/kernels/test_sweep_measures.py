"""One sweep of an invented free joint with known stops, backlash, friction and breakaway."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest

from benchpipe.kernels.sweeps import SweepResult, SweepSettings, _low_passed, measure_sweep, usable_range

LOWER, UPPER, STOP, FRICTION = -8.0, 16.0, 4.0, 0.6
SETTINGS = SweepSettings((-5.0, 12.0), 3.0, (3.5, 3.5), None, 1.0, np.ones(1))
RATE_HZ = 50.0


def path(speed: float = 2.0, low: float = -9.0, high: float = 17.0, pause_s: float = 0.0) -> np.ndarray:
    """Rig motion from 4 up, down, and up to 4 again; with a pause at 0 on both ways."""
    step, pause = speed / RATE_HZ, np.zeros(round(pause_s * RATE_HZ))
    up, down = np.arange(4.0, high, step), np.arange(high, low, -step)
    again = np.arange(low, 4.0, step)
    if pause_s:
        down, again = (np.concatenate([w[w * s < 0], pause, w[w * s >= 0]]) for w, s in ((down, -1), (again, 1)))
    return np.concatenate([up, down, again])


def joint(x: np.ndarray, play: float = 0.0, back: float = FRICTION, breaking: float = 0.0) -> np.ndarray:
    """Load of a joint with dry friction, two springs as stops, and play between rig and joint.

    The joint follows the rig at the end of the play on which it is pressed; it moves where spring and load
    overcome its friction.
    """
    load, at = np.zeros(x.size), float(x[0]) - play / 2
    way, since = 1.0, float(x[0])
    for i in range(1, x.size):
        moved = x[i] - x[i - 1]
        if moved == 0.0:
            load[i], since = load[i - 1], x[i]
            continue
        since = since if np.sign(moved) == way else float(x[i - 1])
        way = float(np.sign(moved))
        friction = way * (FRICTION if way > 0 else back)
        for side in (1.0, -1.0):  # pressed against the upper, then the lower end of the play
            would = x[i] - side * play / 2
            found = STOP * (max(would - UPPER, 0.0) + min(would - LOWER, 0.0)) + friction
            if side * found >= 0 and way * (would - at) >= 0:
                at, load[i] = would, found + way * breaking * np.exp(-abs(x[i] - since) / 0.5)
                break
    return load


def measured(x: np.ndarray, load: np.ndarray, noise: float = 0.0, settings: SweepSettings = SETTINGS) -> SweepResult:
    """A sweep at 50 samples a second."""
    rng = np.random.default_rng(4)
    return measure_sweep(
        np.arange(x.size) / RATE_HZ, load + noise * rng.standard_normal(x.size), x, np.full(x.size, np.nan), settings
    )


@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_stops_and_resistance_of_a_plain_joint(noise: float) -> None:
    x = path()
    found = measured(x, joint(x, back=0.4), noise)
    assert found.upper.position == pytest.approx(UPPER, abs=max(found.upper.high - found.upper.low, 1e-3))
    assert found.lower.position == pytest.approx(LOWER, abs=max(found.lower.high - found.lower.low, 1e-3))
    assert found.upper.stop_slope == pytest.approx(STOP, rel=0.05)
    for way, level in (("forward", FRICTION), ("back", 0.4)):
        one = found.directions[way]
        assert one.load == pytest.approx(np.sign(one.speed) * level, abs=3 * noise / 2 + 1e-9)
        assert level - 1e-9 <= one.peak <= level + 5 * noise + 1e-9
        assert np.abs(one.speed) == pytest.approx(2.0, rel=1e-6)
    assert found.asymmetry.value == pytest.approx(0.2, abs=3 * found.asymmetry.u + 1e-9)


@pytest.mark.parametrize("play", [0.0, 0.5, 1.0])
def test_lash_is_the_play_at_zero_load(play: float) -> None:
    x = path(speed=0.5)  # slow: samples enough where the load changes its sign
    found = measured(x, joint(x, play))
    assert found.backlash.converged
    assert found.backlash.value == pytest.approx(play, abs=0.02)
    noisy = measured(x, joint(x, play), 0.01)
    assert noisy.backlash.low - 0.01 <= play <= noisy.backlash.high + 0.01


def test_a_fast_sweep_tells_no_lash_and_no_stop() -> None:
    x = path(speed=48.0)
    found = measured(x, joint(x, 0.5), 0.03)
    assert isnan(found.backlash.value)
    assert not found.upper.converged
    said = "; ".join(found.remarks)
    assert "backlash: too few samples" in said
    assert "upper end stop: not reached, or too few samples in it" in said


def test_a_range_that_ends_before_the_stops_shows_none() -> None:
    x = path(low=-7.0, high=15.0)
    found = measured(x, joint(x), 0.05)
    assert not found.upper.converged
    assert not found.lower.converged
    assert sum("end stop" in remark for remark in found.remarks) == 2


def test_friction_that_grows_towards_an_end_is_no_stop() -> None:
    x = path(low=-7.0, high=15.0)
    load = joint(x) * (1.0 + 0.05 * np.maximum(x - 10.0, 0.0))
    assert not measured(x, load, 0.002).upper.converged


def test_breakaway_is_read_after_a_pause_and_left_out_of_the_resistance() -> None:
    x = path(pause_s=2.0)
    found = measured(x, joint(x, breaking=0.3), 0.005)
    for way in ("forward", "back"):
        one = found.directions[way]
        assert one.breakaway == pytest.approx(FRICTION + 0.3, abs=0.06)
        assert np.abs(one.load) == pytest.approx(FRICTION, abs=0.045)  # at 1 from the pause 0.04 is left
        assert 0 < one.breakaway_u < 0.01
    plain = measured(path(), joint(path(), breaking=0.3))
    assert isnan(plain.directions["forward"].breakaway)  # it turns on the stops


def test_breakaway_of_a_fast_start_is_not_told() -> None:
    x = path(speed=12.0, pause_s=2.0)
    assert isnan(measured(x, joint(x, breaking=0.3)).directions["forward"].breakaway)


def test_directions_at_different_speeds_are_not_compared() -> None:
    up, down = np.arange(4.0, 17.0, 0.04), np.arange(17.0, -9.0, -0.08)
    x = np.concatenate([up, down, np.arange(-9.0, 4.0, 0.04)])
    found = measured(x, joint(x))
    assert isnan(found.asymmetry.value)
    assert any("different speeds" in remark for remark in found.remarks)


def test_usable_range_is_the_widest_stretch() -> None:
    x = np.arange(10.0)
    load = np.array([9, 1, 1, 9, 1, 1, -1, 1, -9, 9.0])
    found = usable_range(x, load, 2.0)
    assert found.value == 3.0
    assert found.u == pytest.approx(np.sqrt(2.0 / 3.0))  # each end lies within a step of 1
    assert isnan(usable_range(x, load, 0.5).value)


def test_of_two_stretches_as_wide_the_first_counts_with_its_own_ends() -> None:
    motion = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0, 8.0])
    load = np.array([9.0, 1.0, 1.0, 9.0, 9.0, 1.0, 1.0, 9.0])
    found = usable_range(motion, load, 2.0)
    assert (found.value, found.u) == (1.0, pytest.approx(2**0.5 / 3**0.5))
    later = usable_range(np.array([0.0, 1.0, 2.0, 3.0, 3.5, 6.0, 7.0, 9.0]), load, 2.0)
    assert later.u == pytest.approx(2**0.5 / 3**0.5)


def test_a_low_pass_is_the_mean_of_what_there_is_at_the_ends() -> None:
    weights, load = np.array([0.4, 0.2, 0.1]), np.random.default_rng(2).standard_normal(12)
    calm, gain = _low_passed(load, weights)
    whole = np.array([0.1, 0.2, 0.4, 0.2, 0.1])
    for k in range(12):
        seen = whole[max(2 - k, 0) : 2 + 12 - k]
        share = seen / seen.sum()
        assert calm[k] == pytest.approx(share @ load[max(k - 2, 0) : k + 3])
        assert gain[k] == pytest.approx(np.sqrt((share**2).sum()))
    assert [list(one) for one in _low_passed(load[:3], weights[:1])] == [list(load[:3]), [1.0] * 3]
