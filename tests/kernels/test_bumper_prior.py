"""Hardness and geometry as a prior: its spread, where it enters a fit, and that it moves no measurement."""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np
import pytest

from benchpipe.kernels.bumper_pair import PairShape, fit_pair, pair_torque
from benchpipe.kernels.bumper_prior import StiffnessPrior, block_prior, fit_pair_with_priors
from benchpipe.kernels.loop_branches import Branches
from benchpipe.kernels.rubber import gent_modulus, gent_spread

SHAPE = PairShape("block", arms=(30.0, 30.0), heights=(15.0, 15.0))


def measured(scale: float, other: float, preloads: tuple[float, float], seed: int = 1, noise: float = 0.2) -> Branches:
    """A loop of two blocks with friction and white noise."""
    motion = np.linspace(-8.0, 8.0, 201)
    true = np.array([scale, other, *preloads, 0.5, 0.03])
    rng = np.random.default_rng(seed)
    up, down = (pair_torque(motion, s, true, SHAPE) + noise * rng.standard_normal(motion.size) for s in (1.0, -1.0))
    return Branches(motion, up, down)


def test_a_tolerance_of_five_shore_is_a_fifth_of_the_modulus() -> None:
    """60 ± 5 Shore A: 2.97, 3.61, 4.43 MPa, which is -18/+23 % (Gent's formula, recomputed)."""
    assert [round(gent_modulus(h), 2) for h in (55.0, 60.0, 65.0)] == [2.97, 3.61, 4.43]
    assert gent_spread(60.0) == pytest.approx(0.5 * log(4.43 / 2.97), abs=0.002)
    assert np.isnan([gent_spread(19.0), gent_spread(81.0)]).all()
    assert gent_spread(80.0) > gent_spread(60.0)


@pytest.mark.parametrize(
    ("outer", "height", "stiffness"), [(20.0, 10.0, 116.0), (20.0, 20.0, 43.0), (25.0, 8.0, 335.0)]
)
def test_a_bonded_disc_has_its_stiffness(outer: float, height: float, stiffness: float) -> None:
    """Shore A 50, 2.456 MPa: worked by hand from Gent's and Gent and Lindley's formulas."""
    found = block_prior(50.0, height, outer, faces="bonded")
    assert found.value == pytest.approx(stiffness, rel=0.01)
    assert found.u == pytest.approx(gent_spread(50.0))


def test_faces_that_are_not_stated_widen_the_prior_and_a_hole_softens() -> None:
    bonded, slippery, unknown = (block_prior(60.0, 8.0, 25.0, faces=f) for f in ("bonded", "lubricated", ""))  # type: ignore[arg-type]
    assert slippery.value < unknown.value < bonded.value
    assert unknown.u == pytest.approx(sqrt(bonded.u**2 + log(bonded.value / slippery.value) ** 2 / 12.0))
    assert block_prior(60.0, 8.0, 25.0, 10.0).value < unknown.value


def test_a_prior_never_moves_what_the_loop_determines() -> None:
    loop = measured(150.0, 90.0, (1.0, 0.6))
    plain = fit_pair(loop, SHAPE)
    wrong = StiffnessPrior(400.0, 0.2)
    found, uses = fit_pair_with_priors(loop, SHAPE, (wrong, StiffnessPrior(95.0, 0.2)))
    np.testing.assert_array_equal(found.value, plain.value)
    assert [(one.side, one.entered, one.disagrees) for one in uses] == [(0, False, True), (1, False, False)]
    assert uses[0].measured == pytest.approx(150.0, rel=0.05)


def test_a_bumper_that_is_never_pressed_has_its_prior_and_no_more() -> None:
    loop = measured(150.0, 90.0, (1.0, -12.0))  # a gap that the motion does not close
    prior = StiffnessPrior(120.0, 0.2)
    found, uses = fit_pair_with_priors(loop, SHAPE, (None, prior))
    at = found.names.index("p.scale")
    assert uses[0].entered
    assert np.isnan(uses[0].measured)
    assert found.value[at] == pytest.approx(120.0, rel=0.02)
    assert found.u[at] / found.value[at] == pytest.approx(0.2, rel=0.1)
    assert found.value[0] == pytest.approx(150.0, rel=0.05)


def test_a_poor_measurement_and_a_prior_are_weighed_by_their_uncertainty() -> None:
    """A bumper touched at the very end of the motion: its loop says little, and what it says still counts."""
    prior = StiffnessPrior(90.0, 0.05)
    inside = []
    for seed in range(20):
        loop = measured(150.0, 90.0, (1.0, -3.6), seed, noise=0.5)
        found, uses = fit_pair_with_priors(loop, SHAPE, (None, prior))
        at = found.names.index("p.scale")
        assert uses[0].entered
        assert found.u[at] / found.value[at] <= 0.051
        inside.append(abs(found.value[found.names.index("d.scale")] / 150.0 - 1.0) < 0.1)
        assert exp(-0.2) < found.value[at] / 90.0 < exp(0.2)
    assert all(inside)
