"""Laws of the specimen: oil, ageing, friction, leak, set."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.simulate.specimen import (
    AgeingConfig,
    LockConfig,
    LossConfig,
    SpecimenConfig,
    SpringConfig,
    StepConfig,
    viscosity_cst,
)


def specimen(**parts: object) -> SpecimenConfig:
    return SpecimenConfig(name="s", spring=SpringConfig(stiffness=10.0), **parts)  # type: ignore[arg-type]


def test_oil_thins_as_walther_says() -> None:
    # ISO VG 32 with 32 cSt at 40 and 5.4 at 100 degC: about 86, 65, 51, 40 cSt at 20, 25, 30, 35 degC (recomputed)
    got = viscosity_cst(np.array([20.0, 25.0, 30.0, 35.0, 40.0, 100.0]))
    np.testing.assert_allclose(got, [86, 65, 51, 40, 32, 5.4], rtol=0.012)
    np.testing.assert_allclose(got[4:], [32.0, 5.4], rtol=1e-12)


def test_stiffness_wears_softens_and_steps() -> None:
    ageing = AgeingConfig(
        softening=0.1, wear_per_decade=0.02, wear_from=1000.0, steps=(StepConfig(at_cycle=50_000, loss=0.08),)
    )
    cycle = np.array([0.0, 9_000.0, 99_000.0])
    got = specimen(ageing=ageing).stiffness_factor(cycle, np.array([1.0, 0.0, 0.0]), np.full(3, 25.0))
    np.testing.assert_allclose(got, [1.1, 0.98, 0.96 * 0.92], rtol=1e-12)


def test_friction_runs_in() -> None:
    loss = LossConfig(friction=2.0, run_in_friction=1.0, run_in_cycles=100.0)
    np.testing.assert_allclose(specimen(loss=loss).friction(np.array([0.0, 100.0, 1e5])), [3.0, 2.0 + np.exp(-1), 2.0])


@pytest.mark.parametrize("exponent", [1.0, 0.5])
def test_leak_is_a_power_of_the_load_and_laminar_in_the_oil(exponent: float) -> None:
    lock = LockConfig(reference_load=50.0, leak_per_h=3.6, leak_exponent=exponent)
    joint = specimen(lock=lock)
    rates = joint.leak_per_s(np.array([50.0, 100.0, -50.0]), np.full(3, 25.0))
    np.testing.assert_allclose(rates, [1e-3, 1e-3 * 2**exponent, -1e-3], rtol=1e-12)
    warm, cold = joint.leak_per_s(np.array([50.0, 50.0]), np.array([40.0, 25.0]))
    assert 1.8 < warm / cold < 2.2  # doubles about every 15 degC


def test_set_is_left_by_the_largest_load_only() -> None:
    joint = specimen(lock=LockConfig(yield_load=100.0, set_per_load=0.01))
    np.testing.assert_allclose(joint.permanent_set(np.array([50.0, 100.0, 150.0])), [0.0, 0.0, 0.5])
