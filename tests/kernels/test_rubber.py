"""Rubber: hardness, shape, block law; Berg's friction; the spring-pot; what loops identify."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest

from benchpipe.kernels.friction import (
    LossPoint,
    berg_area,
    berg_branch,
    berg_turn,
    loss_laws,
    spring_pot,
)
from benchpipe.kernels.rubber import (
    apparent_modulus,
    bilinear_force,
    block_force,
    gent_modulus,
    polynomial_force,
    shape_factor,
)


def test_hardness_is_a_weak_prior() -> None:
    assert gent_modulus(50.0) == pytest.approx(2.456, abs=5e-4)
    low, middle, high = (gent_modulus(s) for s in (55.0, 60.0, 65.0))
    assert (low, middle, high) == pytest.approx((2.97, 3.61, 4.43), abs=5e-3)
    assert (100 * (low / middle - 1), 100 * (high / middle - 1)) == pytest.approx((-18, 23), abs=0.5)
    assert np.isnan(gent_modulus(90.0))


@pytest.mark.parametrize(
    ("diameter", "height", "shape", "modulus", "stiffness"),
    [(20, 10, 0.50, 3.68, 116), (20, 20, 0.25, 2.76, 43), (25, 8, 0.78, 5.45, 335)],
)
def test_discs_at_50_shore(diameter: float, height: float, shape: float, modulus: float, stiffness: float) -> None:
    s = shape_factor(height, outer=diameter)
    assert s == pytest.approx(shape, abs=5e-3)
    e = apparent_modulus(gent_modulus(50.0), s)
    assert e == pytest.approx(modulus, abs=6e-3)
    assert e * pi * diameter**2 / 4 / height == pytest.approx(stiffness, abs=0.51)
    assert shape_factor(10.0, outer=20.0, inner=10.0) == pytest.approx(0.25)


def test_block_law_over_the_linear_one() -> None:
    ratios = [float(block_force(c, 1.0, 1.0)) / c for c in (0.05, 0.10, 0.20, 0.30, 0.40)]
    assert ratios == pytest.approx([1.054, 1.115, 1.271, 1.490, 1.815], abs=5.1e-4)
    assert float(block_force(-1.0, 1.0, 1.0)) == 0.0


def test_laws_begin_at_contact_and_stay_monotone() -> None:
    x = np.linspace(-1.0, 3.0, 200)
    for force in (polynomial_force(x, 1.0, 0.2, 0.1), bilinear_force(x, 1.0, 4.0, 1.5, 0.2), block_force(x, 1.0, 5.0)):
        assert (force[x <= 0.0] == 0.0).all()
        assert (np.diff(force) >= -1e-12).all()
    slope = np.diff(bilinear_force(x, 1.0, 4.0, 1.5, 0.05)) / np.diff(x)
    assert (slope[90], slope[-1]) == pytest.approx((1.0, 5.0), abs=1e-3)


def test_bergs_closed_forms_agree_with_its_branches() -> None:
    most, x2, amplitude = 3.0, 0.4, 1.0
    force, x = 0.0, np.linspace(-amplitude, amplitude, 4001)
    for _ in range(60):  # cycles until they are steady
        up = berg_branch(x, -amplitude, -force if force else 0.0, most, x2, 1.0)
        force = float(up[-1])
    assert force == pytest.approx(berg_turn(amplitude, most, x2), rel=1e-9)
    down = berg_branch(x[::-1], amplitude, force, most, x2, -1.0)[::-1]
    assert float(np.trapezoid(up - down, x)) == pytest.approx(berg_area(amplitude, most, x2), rel=1e-6)
    assert berg_area(100.0, most, 1e-6) == pytest.approx(4 * most * 100.0, rel=1e-4)  # Coulomb's 4 F X


def test_one_rate_cannot_tell_friction_from_viscosity() -> None:
    coulomb, berg, pot = loss_laws([LossPoint(10.0, 0.1, 5.0, 40.0)])
    assert "one rate cannot tell friction from viscosity" in coulomb.refused
    assert "3 are needed" in berg.refused
    assert "three over a decade" in pot.refused
    t = np.linspace(0, 2 * pi, 100_001)
    regressors = np.sign(np.cos(t)), np.cos(t)
    cosine = regressors[0] @ regressors[1] / np.sqrt((regressors[0] @ regressors[0]) * (regressors[1] @ regressors[1]))
    assert cosine == pytest.approx(2 * sqrt(2) / pi, abs=1e-4)


def test_what_loops_identify_is_recovered() -> None:
    sizes = [LossPoint(x, 0.1, 5.0, berg_area(x, 3.0, 0.4)) for x in (0.25, 0.5, 1.0, 2.0)]
    berg = loss_laws(sizes)[1]
    assert {n: v for n, v, _ in berg.parameters} == pytest.approx({"F_max": 3.0, "x2": 0.4}, rel=1e-5)
    rates = []
    for w in (0.1, 1.0, 6.0):
        k1, k2 = spring_pot(w, 5.0, 0.01, 0.2)
        rates.append(LossPoint(8.0, w, k1, pi * k2 * 64.0))
    pot = loss_laws(rates)[2]
    found = {n: v for n, v, _ in pot.parameters}
    assert (found["stiffness"], found["alpha"]) == pytest.approx((5.0, 0.2), rel=1e-4)
    assert pot.rms < 1e-6
    assert loss_laws(rates)[0].refused == ""  # two rates and more: friction has a number, and a large misfit
    assert loss_laws(rates)[0].rms > 0.05
