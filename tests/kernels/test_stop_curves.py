"""Fits of end stops and their noise, against plain least squares with the whole covariance. All data are invented."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.stop_curves import CURVES, POWERS, StopRows, columns_of, curve_columns, fit_curves
from benchpipe.kernels.stop_noise import StopNoise, choose_noise, whitened


def covariance(n: int, rho: float, share: float) -> np.ndarray:
    """Correlation matrix of white noise and AR(1), entry by entry."""
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return share * rho**lag + (1.0 - share) * np.eye(n)


@pytest.mark.parametrize(("rho", "share"), [(0.0, 0.0), (0.8, 1.0), (0.9, 0.5), (0.97, 0.15)])
def test_whitened_rows_have_the_products_of_the_whole_covariance(rho: float, share: float) -> None:
    rows = np.random.default_rng(2).standard_normal((3, 50))
    own = covariance(50, rho, share)
    white, logs = whitened(rows, rho, share)
    np.testing.assert_allclose(white @ white.T, rows @ np.linalg.solve(own, rows.T), rtol=1e-9)
    assert logs == pytest.approx(np.linalg.slogdet(own)[1], abs=1e-9)


@pytest.mark.parametrize("noise", [StopNoise(), StopNoise(0.9, 0.5)])
def test_every_model_leaves_what_least_squares_leaves(noise: StopNoise) -> None:
    rng = np.random.default_rng(6)
    x = np.linspace(100.0, 114.0, 90)
    load = 0.5 + 0.02 * x + 2.0 * np.maximum(x - 112.5, 0.0) ** 1.6 + 0.05 * rng.standard_normal(x.size)
    rows = StopRows.of(x, load, 240)
    trials = np.array([105.0, 112.3, 112.8])
    fits = fit_curves(rows, trials, noise)
    root = np.linalg.cholesky(covariance(x.size, noise.rho, noise.share))
    y = np.linalg.solve(root, load)
    straight = np.linalg.solve(root, np.column_stack([np.ones_like(x), x]))
    flat = np.sum((y - straight @ np.linalg.lstsq(straight, y, rcond=None)[0]) ** 2)
    held = 0
    for c, at in enumerate(trials):
        for model in range(3 * CURVES):
            curves = np.linalg.solve(root, curve_columns(rows.pressed(at), model).T)
            design = np.column_stack([straight, curves])
            parts = np.linalg.lstsq(design, y, rcond=None)[0]
            left = np.sum((y - design @ parts) ** 2)
            weight = fits.log_weight[c, model]
            if columns_of(model) == [len(POWERS), len(POWERS) + 1] or parts[2:].min() < 1e-3:
                assert not np.isfinite(weight) or parts[2:].min() > -1e-3
                continue
            against = fits.log_weight[c, 0] if model <= CURVES and model else np.nan
            if np.isfinite(against):  # two models of one stiffness: only the fit and the prior tell them apart
                line = np.column_stack([straight, np.linalg.solve(root, curve_columns(rows.pressed(at), 0).T)])
                plain = np.sum((y - line @ np.linalg.lstsq(line, y, rcond=None)[0]) ** 2)
                asked = -0.5 * fits.dof * np.log(left / plain) + np.log(0.5 * 0.3 / CURVES / 0.3)
                assert weight - against == pytest.approx(asked, abs=1e-5)
                held += 1
            assert left < flat
    assert held > 30


def test_noise_is_told_and_a_perfect_fit_is_white() -> None:
    rng = np.random.default_rng(8)
    design = np.stack([np.ones(200), np.linspace(-1.0, 1.0, 200)])
    root = np.linalg.cholesky(covariance(200, 0.9, 1.0))
    found = choose_noise(design, root @ rng.standard_normal(200))
    assert found.lag1 > 0.6
    assert choose_noise(design, rng.standard_normal(200)).lag1 < 0.3
    assert choose_noise(design, 3.0 + 2.0 * design[1]) == StopNoise()
