"""Recovery, time to a limit and the leak's exponent. Simulated holds are invented."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest

from benchpipe.kernels.creep_fit import CreepResult, fit_creep
from benchpipe.kernels.creep_laws import law_named
from benchpipe.kernels.creep_outlook import leak_exponent, recovered_fraction

T = np.geomspace(10.0, 3600.0, 70)


def a_hold(name: str, p: list[float], noise: float = 1e-3, seed: int = 0) -> CreepResult:
    return fit_creep(T, law_named(name).value(T, np.array(p)) + noise * np.random.default_rng(seed).standard_normal(70))


def test_what_settles_comes_back_and_what_leaks_does_not() -> None:
    hold = a_hold("Burgers", [1.0, 0.2, 5e-5, 200.0])
    rest = a_hold("Kelvin", [0.2, -0.2, 200.0], seed=1)
    found = recovered_fraction(hold, rest)
    # Creep counts from 10 s: 0.2·(e^(−10/200) − e^(−3600/200)) of it settles, 5e-5·3590 leaks.
    settled = 0.2 * (np.exp(-0.05) - np.exp(-18.0))
    assert found.low <= settled / (settled + 5e-5 * 3590) <= found.high
    assert found.high - found.low < 0.1


def test_no_creep_no_fraction() -> None:
    still = a_hold("no motion", [1.0])
    assert not recovered_fraction(still, still).converged
    assert isnan(recovered_fraction(still, still).fraction)


def test_exponent_of_a_laminar_gap_and_of_an_orifice() -> None:
    load = np.array([20.0, 40.0, 60.0, 80.0])
    for exponent in (1.0, 0.5):
        rate = 1e-5 * (load / 20) ** exponent
        found = leak_exponent(load, rate, 0.05 * rate)
        assert found.slope == pytest.approx(exponent, abs=1e-9)
    assert not leak_exponent(load[:2], load[:2], load[:2]).converged
    assert not leak_exponent([20, 20, 40, 40], [1, 2, 3, 4], np.ones(4)).converged  # two levels, twice
    assert not leak_exponent(load, [-1, 0, 1, 2], np.ones(4)).converged
