"""Steps are found where they are plain, and never in noise alone (own generators, fixed seeds)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from benchpipe.kernels.steps import find_steps, without_steps

NOISES = ("white", "ar 0.9", "ar 0.99", "t3", "walk and white")


def noise(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Noise of about unit variance."""
    e = rng.standard_normal(n + 2000)
    if kind.startswith("ar"):
        rho = float(kind.split()[1])
        return lfilter([np.sqrt(1 - rho**2)], [1.0, -rho], e)[2000:]
    if kind == "t3":
        return rng.standard_t(3, n) / np.sqrt(3.0)
    if kind == "walk and white":
        return e[:n] + 0.02 * np.cumsum(rng.standard_normal(n))
    return e[:n]


@pytest.mark.parametrize("kind", NOISES)
def test_noise_alone_has_no_step(kind: str) -> None:
    rng = np.random.default_rng(17)
    found = sum(find_steps(noise(kind, n, rng)).size for n in (200, 600, 2000, 2000, 20_000) * 12)
    assert found == 0


@pytest.mark.parametrize("kind", ["white", "t3"])
@pytest.mark.parametrize("n", [400, 2000, 50_000])
def test_a_plain_step_is_found_at_its_place(kind: str, n: int) -> None:
    rng = np.random.default_rng(5)
    for _ in range(10):
        place = int(rng.integers(n // 4, 3 * n // 4))
        v = noise(kind, n, rng) + np.linspace(0.0, 3.0, n)
        v[place:] += 30.0
        (found,) = find_steps(v)
        assert abs(found - place) <= max(2, n // 2000)
        rest = without_steps(v, [found])
        assert np.std(rest - np.linspace(0.0, 3.0, n)) < 3.0


def test_wear_is_no_step() -> None:
    rng = np.random.default_rng(9)
    n = 2000
    for curve in (np.linspace(0, 100, n), 50 * (1 - np.exp(-np.arange(n) / 300)), 1e-5 * np.arange(n) ** 2.0):
        assert find_steps(curve + noise("white", n, rng)).size <= 1


def test_too_few_values_say_nothing() -> None:
    assert find_steps([1.0] * 10 + [5.0] * 10).size == 0
