"""Intervals of a curvature in correlated noise. The full study: tests/benchmarks/rocker_coverage.py."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.signal import lfilter
from scipy.stats import t as student

from benchpipe.kernels import rocker_noise
from benchpipe.kernels.rocker_arc import fit_arc
from benchpipe.kernels.rocker_noise import correlated_u
from tests.kernels.test_rocker_arc import white_u


def noise(rng: np.random.Generator, rho: float, n: int) -> np.ndarray:
    drive = rng.standard_normal(n + 200) * np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], drive))[200:]


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_the_interval_of_one_pass_covers_its_curvature(rho: float) -> None:
    rng = np.random.default_rng(2)
    s = np.linspace(-0.08, 0.08, 120)
    x, y = 0.35 * np.sin(s / 0.35), 0.35 - 0.35 * np.cos(s / 0.35)
    hits = plain = 0
    for _ in range(300):
        fit = fit_arc(x + 1e-3 * noise(rng, rho, s.size), y + 1e-3 * noise(rng, rho, s.size))
        found = correlated_u(fit.gradient, fit.distance / fit.scale, 0)
        error = abs(fit.curvature - 1 / 0.35)
        hits += error <= student.ppf(0.975, found.dof) * found.u / fit.scale
        plain += error <= 1.96 * white_u(fit)
    assert 276 <= hits <= 296  # 95 % ± 2.5 standard errors
    assert (plain < 240) == (rho > 0)  # the textbook error covers about half in correlated noise


def test_variance_of_a_figure_is_that_of_the_whole_covariance() -> None:
    rng = np.random.default_rng(4)
    figure = rng.standard_normal(90)
    found = rocker_noise._quadratic(figure)
    whole = [figure @ toeplitz(rho ** np.arange(90)) @ figure for rho in rocker_noise.MEMORIES]
    np.testing.assert_allclose(found, whole, rtol=1e-9)


def test_likelihood_of_each_memory_is_that_of_the_whole_covariance() -> None:
    rng = np.random.default_rng(5)
    n, rhos = 40, rocker_noise.MEMORIES
    design = np.column_stack([np.ones(n), np.arange(n), np.arange(n) ** 2.0])
    frame = np.linalg.qr(design)[0]
    y = noise(rng, 0.6, n)
    y -= frame @ (frame.T @ y)
    found, _ = rocker_noise._likelihood(np.column_stack([frame, y]), n - 3)
    expected = []
    for rho in rhos:
        cov = toeplitz(rho ** np.arange(n))
        inverse = np.linalg.inv(cov)
        normal = frame.T @ inverse @ frame
        left = y - frame @ np.linalg.solve(normal, frame.T @ inverse @ y)
        square = left @ inverse @ left
        log_of = np.linalg.slogdet(cov)[1] + np.linalg.slogdet(normal)[1]
        expected.append(-0.5 * (log_of + (n - 3) * np.log(square / (n - 3))))
    np.testing.assert_allclose(found - found[0], np.array(expected) - expected[0], rtol=1e-7, atol=1e-7)


def test_no_noise_no_uncertainty_and_too_few_rows_none() -> None:
    design = np.column_stack([np.ones(9), np.arange(9.0)])
    assert correlated_u(design, np.zeros(9), 1).u == 0.0
    assert np.isnan(correlated_u(design[:2], np.zeros(2), 1).u)


def test_many_rows_are_averaged_and_keep_their_uncertainty() -> None:
    rng = np.random.default_rng(6)
    n = 9000
    design = np.column_stack([np.ones(n), np.linspace(-1, 1, n)])
    y = noise(rng, 0.0, n)
    y -= design @ np.linalg.lstsq(design, y, rcond=None)[0]
    found = correlated_u(design, y, 1)
    assert found.u == pytest.approx(1 / np.sqrt(n / 3), rel=0.15)
