"""Does the set's uncertainty cover what another stay brings? Recovery simulated. All data are invented."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.proof_recovery import recovery

STIFFNESS = 20.0
STAY_S = 60.0
COURSES = {
    "log time": lambda t: -0.02 * np.log1p(t / 2.0),
    "one time constant": lambda t: 0.2 * np.exp(-t / 40.0),
    "slower than the stay": lambda t: 0.2 * np.exp(-t / 300.0),
    "power": lambda t: -0.02 * t**0.3,
}
STILL = "none"


def stay(course: str, seed: int, noise: float = 0.002, rho: float = 0.0) -> tuple[np.ndarray, ...]:
    """A stay at the settling load of 5, which wanders by 0.1."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, STAY_S, 0.1)
    own = rng.standard_normal(t.size)
    for k in range(1, t.size):
        own[k] = rho * own[k - 1] + np.sqrt(1 - rho**2) * own[k]
    load = 5.0 + 0.1 * np.sin(t / 7.0)
    return t, load / STIFFNESS + (COURSES[course](t) if course != STILL else 0.0) + noise * own, load


@pytest.mark.parametrize("course", COURSES)
def test_another_stay_is_covered_by_two_u(course: str) -> None:
    move = COURSES[course]
    for seed in range(20):
        t, motion, load = stay(course, seed)
        found = recovery(t, motion, load, STIFFNESS)
        comes = move(STAY_S) - move(2 * STAY_S)
        assert found.moving
        assert found.rate < 0.0
        assert comes <= 2.0 * found.to_come_u <= 4.0 * comes
        slope = (move(STAY_S) - move(0.5 * STAY_S)) / (0.5 * STAY_S)
        assert found.rate == pytest.approx(slope, abs=4 * found.rate_u + 0.05 * abs(slope))


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_noise_alone_is_seldom_taken_for_recovery(rho: float) -> None:
    found = [recovery(*stay(STILL, 100 + seed, rho=rho), STIFFNESS) for seed in range(200)]
    assert sum(f.moving for f in found) <= 20
    assert all(f.to_come_u == 0.0 for f in found if not f.moving)


def test_a_load_the_other_way_and_too_few_samples() -> None:
    t, motion, load = stay("log time", 0)
    there, back = recovery(t, motion, load, STIFFNESS), recovery(t, -motion, load, -STIFFNESS)
    assert back.rate == pytest.approx(there.rate)
    assert not recovery(t[:6], motion[:6], load[:6], STIFFNESS).known
