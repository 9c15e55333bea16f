"""A thermometer that is missing, stuck, dead or jumps, and sound ones that are not."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.thermometer import thermometer_faults

T = np.arange(0.0, 2 * 86400.0, 20.0)
DAY = 23 + 4 * np.sin(2 * np.pi * T / 86400)
WINDOWS = ((0, 999), (7640, 8639))


def fault(reading: np.ndarray) -> str:
    return thermometer_faults(T, reading, *WINDOWS).fault


@pytest.mark.parametrize("digit", [0.01, 0.1, 0.5, 1.0])
def test_sound_thermometers_have_no_fault(digit: float) -> None:
    # At the turning points a coarse digit stands still for hours, after it slowed down.
    assert fault(np.round(DAY / digit) * digit) == ""
    noisy = DAY + 0.05 * np.random.default_rng(1).standard_normal(T.size)
    assert fault(np.round(noisy / digit) * digit) == ""


def test_a_coarse_digit_at_a_turning_point_is_not_stuck() -> None:
    # A digit of 1 K stays at 27 °C for 13,900 s of 60,000, beside stays of 5,300 s.
    part = slice(0, 3000)
    assert thermometer_faults(T[part], np.round(DAY[part]), (0, 99), (2900, 2999)).fault == ""


def test_stuck_thermometer() -> None:
    stuck = DAY.copy()
    stuck[3000:4500] = stuck[3000]
    assert fault(stuck) == "the thermometer stuck at 19.24 degC for 29,980 s"


def test_dead_thermometer() -> None:
    assert fault(np.full(T.size, 23.0)) == "the thermometer read 23 degC in every cycle: it may be dead"
    few = slice(0, 150)  # 50 minutes: a steady room and a digit of 0.1 K
    assert thermometer_faults(T[few], np.full(150, 23.0), (0, 9), (140, 149)).fault == ""


def test_missing_temperature() -> None:
    rng = np.random.default_rng(1)
    assert fault(np.where(rng.random(T.size) < 0.15, np.nan, DAY)) == ""
    assert "missing in" in fault(np.where(rng.random(T.size) < 0.25, np.nan, DAY))
    window = DAY.copy()
    window[-600:] = np.nan
    assert fault(window) == "the temperature is missing in 600 of the 1,000 cycles of the window"
    hole = DAY.copy()
    hole[2000:2900] = np.nan
    assert fault(hole) == "the temperature is missing for 18,020 s on end"


def test_hole_while_the_rig_stood_is_none() -> None:
    t = T + np.where(T > 86400, 40_000.0, 0.0)
    first_after = np.where(np.arange(T.size) == 4321, np.nan, DAY)
    assert thermometer_faults(t, first_after, *WINDOWS).fault == ""


def test_jumps_are_found_and_spikes_are_not() -> None:
    noisy = DAY + 0.05 * np.random.default_rng(1).standard_normal(T.size)
    noisy[5000] = 150.0
    found = thermometer_faults(T, noisy + 3 * (np.arange(T.size) >= 4000), *WINDOWS)
    assert found.jumps == (4000,)
    assert found.noise_k == pytest.approx(0.05, rel=0.1)
    # Over a stop the room may be another.
    stopped = T + np.where(np.arange(T.size) >= 4000, 40_000.0, 0.0)
    assert thermometer_faults(stopped, noisy + 3 * (np.arange(T.size) >= 4000), *WINDOWS).jumps == ()


@pytest.mark.parametrize(("last", "dead"), [(3600.0, False), (3601.0, True)])
def test_a_thermometer_is_dead_after_more_than_an_hour(last: float, dead: bool) -> None:
    time_s = np.append(np.linspace(0.0, 3500.0, 100), last)
    found = thermometer_faults(time_s, np.full(101, 23.0), (0, 50), (51, 100)).fault
    assert ("it may be dead" in found) is dead
