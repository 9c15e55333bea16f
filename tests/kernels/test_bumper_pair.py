"""Loops as branches, and pairs of bumpers fitted to them."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.bumper_pair import LAWS, PairShape, fit_pair, pair_torque
from benchpipe.kernels.loop_branches import (
    Branches,
    between,
    branches_of,
    energy_return,
    largest_difference,
    motion_at,
    rms_difference,
)

PHASE = np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False)


def ellipse(stiffness: float = 5.0, loss: float = 3.0, start: int = 0) -> Branches:
    """A loop of ± 8 deg: a line and an ellipse of known area."""
    x = 8.0 * np.sin(PHASE)
    found = branches_of(np.roll(x, start), np.roll(stiffness * x + loss * np.cos(PHASE), start))
    assert found is not None
    return found


@pytest.mark.parametrize("start", [0, 777, 2500])
def test_a_loop_has_its_secant_and_area_wherever_it_begins(start: int) -> None:
    found = ellipse(start=start)
    assert found.secant == pytest.approx(5.0, rel=1e-6)
    assert found.area == pytest.approx(np.pi * 8.0 * 3.0, rel=2e-3)
    assert (found.low, found.high) == pytest.approx((-8.0, 8.0))


def test_too_few_samples_or_no_motion_are_no_loop() -> None:
    assert branches_of(np.arange(10.0), np.arange(10.0)) is None
    assert branches_of(np.ones(100), np.arange(100.0)) is None


def test_a_stiffer_loop_of_the_same_shape_is_interpolated_exactly() -> None:
    low, high = ellipse(4.0, 2.0), ellipse(9.0, 4.5)
    middle = between(low, high, 0.5)
    assert middle.secant == pytest.approx(6.0)
    assert rms_difference(middle, ellipse(6.0, 3.0)) < 1e-9
    assert largest_difference(between(low, high, 0.0), low) < 1e-9


def test_motion_at_a_load_is_no_extrapolation() -> None:
    found = ellipse()
    up, down = motion_at(found, 20.0), motion_at(found, 20.0, falling=True)
    assert 5.0 * up + 3.0 * np.sqrt(1 - (up / 8) ** 2) == pytest.approx(20.0, abs=1e-2)
    assert down > up
    assert np.isnan(motion_at(found, 60.0))
    assert motion_at(found, -20.0, falling=True) == pytest.approx(-up, abs=1e-2)


def test_energy_return_is_of_the_areas() -> None:
    x = np.linspace(0.0, 10.0, 201)
    assert energy_return(Branches(x, 2.0 * x, 1.6 * x)) == pytest.approx(0.8)
    assert energy_return(Branches(-x[::-1], 1.6 * -x[::-1], 2.0 * -x[::-1]), positive=False) == pytest.approx(0.8)


SHAPES = {
    "polynomial": [1.2, 0.08, 0.01, 0.7, 0.05, 0.01],
    "bilinear": [1.0, 3.0, 4.0, 0.6, 0.8, 2.0, 5.0, 0.7],
    "block": [1.5, 25.0, 0.9, 22.0],
}


@pytest.mark.parametrize("law", list(LAWS))
@pytest.mark.parametrize("loss", ["friction", "profile"])
def test_a_law_fits_what_it_made(law: str, loss: str) -> None:
    motion = np.linspace(-9.0, 9.0, 201)
    shape = PairShape(law, loss, ends=(-9.0, 9.0))  # type: ignore[arg-type]
    tail = [0.8, 0.03] if loss == "friction" else [0.8, -0.2, 0.3, 0.1]
    true = np.array([*SHAPES[law], -0.5, -1.0, *tail])
    loop = Branches(motion, *(pair_torque(motion, s, true, shape) for s in (1.0, -1.0)))
    fit = fit_pair(loop, PairShape(law, loss))  # type: ignore[arg-type]
    assert fit.converged
    assert fit.rms < 2e-3 * loop.load_range
    assert rms_difference(fit.loop(-9.0, 9.0, 201), loop) < 2e-3 * loop.load_range


def test_blocks_through_lever_arms_are_recovered_with_their_preload() -> None:
    motion = np.linspace(-8.0, 8.0, 201)
    shape = PairShape("block", arms=(30.0, 28.0), heights=(15.0, 12.0))
    true = np.array([150.0, 90.0, 1.0, -0.8, 0.5, 0.03])
    rng = np.random.default_rng(2)
    loop = Branches(
        motion, *(pair_torque(motion, s, true, shape) + 0.1 * rng.standard_normal(motion.size) for s in (1.0, -1.0))
    )
    fit = fit_pair(loop, shape)
    assert fit.names == ("d.scale", "p.scale", "d.preload", "p.preload", "coulomb", "friction_share")
    assert np.abs((fit.value - true) / fit.u).max() < 3.5
    assert fit.rms == pytest.approx(0.1, rel=0.1)
    assert fit.dof > 100


def test_a_preload_that_no_loop_shows_is_not_given_an_interval() -> None:
    """Polynomials that never open: a preload is one polynomial of another."""
    motion = np.linspace(-3.0, 3.0, 201)
    shape = PairShape("polynomial")
    true = np.array([1.0, 0.05, 0.01, 1.0, 0.05, 0.01, 6.0, 6.0, 0.3, 0.0])
    loop = Branches(motion, *(pair_torque(motion, s, true, shape) for s in (1.0, -1.0)))
    fit = fit_pair(loop, shape)
    assert fit.not_identified
    assert np.isnan([fit.u[fit.names.index(name)] for name in fit.not_identified]).all()


def test_errors_that_repeat_along_the_loop_leave_few_degrees_of_freedom() -> None:
    motion = np.linspace(-8.0, 8.0, 201)
    slow = 0.4 * np.sin(motion)
    shape = PairShape("block", arms=(30.0, 30.0), heights=(15.0, 15.0))
    true = np.array([150.0, 90.0, 1.0, 0.6, 0.5, 0.03])
    clean = [pair_torque(motion, s, true, shape) for s in (1.0, -1.0)]
    rng = np.random.default_rng(5)
    noisy = fit_pair(Branches(motion, *(c + 0.28 * rng.standard_normal(motion.size) for c in clean)), shape)
    waved = fit_pair(Branches(motion, *(c + slow for c in clean)), shape)
    assert waved.dof < 0.2 * noisy.dof
    assert waved.u[0] > 2.0 * noisy.u[0]
