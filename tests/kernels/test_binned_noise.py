"""One pass over the bins against dense covariance matrices that are summed reading by reading."""

from __future__ import annotations

import numpy as np
import pytest

from benchpipe.kernels.binned_noise import BinnedNoiseModels, noise_models, whitened


def averaged_by_readings(time_s: np.ndarray, width_s: np.ndarray, tau: float, n: int = 400) -> np.ndarray:
    """Covariance of averages over bins of exp(−|t − t'|/τ), from n points in each bin."""
    at = time_s[:, None] + width_s[:, None] * ((np.arange(n) + 0.5) / n - 0.5)[None, :]
    flat = at.ravel()
    full = np.exp(-np.abs(flat[:, None] - flat[None, :]) / tau)
    k = time_s.size
    return np.asarray(full.reshape(k, n, k, n).mean(axis=(1, 3)))


@pytest.mark.parametrize(("tau", "share"), [(4.0, 1.0), (30.0, 0.5), (400.0, 0.9), (1.0, 0.0)])
def test_equals_dense_algebra(tau: float, share: float) -> None:
    rng = np.random.default_rng(4)
    width = np.array([10.0, 12.0, 8.0, 10.0, 10.0, 11.0])
    time = np.cumsum(width) - width / 2 + np.array([0, 0, 0, 50, 50, 50])  # a gap in the middle
    weight = width / 10
    columns, contrast = rng.standard_normal((6, 3)), np.array([-1.0, 0, 0, 0.2, 0, 0.8])
    dense = share * averaged_by_readings(time, width, tau) + np.diag((1 - share + 1e-6) / weight)
    model = BinnedNoiseModels(np.array([tau]), np.array([share]))
    (white,), log_det, quadratic = whitened(model, time, width, weight, columns, contrast)
    # The sums over 400 points a bin are exact to about (1/400)², relative.
    assert white.T @ white == pytest.approx(columns.T @ np.linalg.solve(dense, columns), rel=2e-4, abs=2e-4)
    assert log_det[0] == pytest.approx(np.linalg.slogdet(dense)[1], abs=1e-3)
    assert quadratic[0] == pytest.approx(contrast @ dense @ contrast, rel=1e-4)


def test_models_reach_a_tenth_of_the_history() -> None:
    models = noise_models(100.0, 20_000.0)
    assert models.share[0] == 0
    assert models.tau_s[1:].min() == pytest.approx(30.0)
    assert models.tau_s.max() == pytest.approx(2000.0)
