"""Short arcs under noise: those given a figure cover, the blur along an arc is allowed for, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import t as student

from benchpipe.kernels.rocker_arc import fit_arc
from benchpipe.kernels.rocker_noise import correlated_u
from benchpipe.kernels.rocker_short import blurred, too_short

LENGTH, RADIUS, POINTS = 0.06, 0.3, 100
TILT = np.linspace(-0.1, 0.1, POINTS)


def noisy(rng: np.random.Generator, sd: float, rho: float = 0.0, points: int = POINTS) -> np.ndarray:
    """Points of an arc of 60 mm with stationary noise in both directions."""
    angle = np.linspace(-0.5, 0.5, points) * LENGTH / RADIUS
    true = RADIUS * np.stack([np.sin(angle), 1.0 - np.cos(angle)])
    drive = sd * np.sqrt(1.0 - rho**2) * rng.standard_normal((2, points + 200))
    return np.asarray(true + lfilter([1.0], [1.0, -rho], drive)[:, 200:])


def test_passes_that_are_given_a_figure_cover_where_many_are_refused() -> None:
    # a rule that looks at the whole distance (rms) picks 3 to 9 % of these, whose noise looks small: 20 to 25 % miss
    rng = np.random.default_rng(11)
    hits = []
    for _ in range(800):
        fit = fit_arc(*noisy(rng, 3.3e-3, 0.8))
        if too_short(fit, TILT):
            continue
        own = correlated_u(fit.gradient, fit.distance / fit.scale, 0)
        half = student.ppf(0.975, own.dof) * own.u / fit.scale * blurred(fit, TILT)
        hits.append(abs(fit.curvature - 1 / RADIUS) <= half)
    assert 0.2 < len(hits) / 800 < 0.8
    assert np.mean(hits) > 0.92


def test_noise_along_the_arc_blurs_its_design() -> None:
    # the variance of u² is L⁴/180, that of the noise in it 4 σ² L²/12: one and 60 σ²/L²
    rng = np.random.default_rng(12)
    found = [blurred(fit_arc(*noisy(rng, 5e-3)), TILT) for _ in range(200)]
    assert np.median(found) == pytest.approx(1.0 + 60.0 * (5e-3 / LENGTH) ** 2, rel=0.06)
    quiet = [blurred(fit_arc(*noisy(rng, 1e-4)), TILT) for _ in range(20)]
    assert max(quiet) < 1.001


def test_a_shank_that_rests_in_the_pass_is_no_blur() -> None:
    pause = np.concatenate([np.linspace(-0.1, 0.0, 50), np.zeros(100), np.linspace(0.0, 0.1, 50)])
    fit = fit_arc(RADIUS * np.sin(pause), RADIUS - RADIUS * np.cos(pause))
    assert blurred(fit, pause) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("points", [100, 2000])
def test_an_arc_too_short_for_its_noise_is_refused(points: int) -> None:
    tilt = np.linspace(-0.1, 0.1, points)
    rng = np.random.default_rng(13)
    assert too_short(fit_arc(*noisy(rng, 0.5e-3, 0.8, points)), tilt) == ""
    why = too_short(fit_arc(*noisy(rng, 6e-3, 0.8, points)), tilt)
    assert "too short for its noise" in why
    assert "rms" in why


def test_a_distance_that_is_no_noise_is_refused_too() -> None:
    tilt = np.linspace(-1.0, 1.0, 400)
    waves = 0.03 * np.sin(3.0 * np.pi * tilt)
    assert "too short for its noise" in too_short(fit_arc(0.1 * tilt, waves), tilt)
