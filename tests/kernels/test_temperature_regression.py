"""Averages over fits, and wear that the columns can follow."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline

from benchpipe.kernels import temperature_regression as regression
from benchpipe.kernels.temperature_regression import WEAR_KNOTS, HistoryFit, wear_columns


def fit(weight: list[float], prompt: bool = False) -> HistoryFit:
    w = np.array(weight).reshape(1, 1, -1)
    zero = np.zeros_like(w)
    return HistoryFit(w, zero, zero, zero, zero, np.ones((1, w.size)), 200, prompt)


def test_a_likely_lag_stays_within_two_standard_deviations() -> None:
    estimate, variance = np.array([1.0] + [0.0] * 9).reshape(1, 1, -1), np.full((1, 1, 10), 1e-6)
    mean, total, _ = fit([0.05] + [0.95 / 9] * 9).averaged(estimate, variance)
    assert mean == pytest.approx(0.05)
    assert 2 * np.sqrt(total) == pytest.approx(0.95, rel=1e-3)
    # A lag with a twentieth of the likelihood is ruled out, but for the first where wear may look like a lag.
    out = [0.005] + [0.995 / 9] * 9
    assert 2 * np.sqrt(fit(out).averaged(estimate, variance)[1]) < 0.15
    assert 2 * np.sqrt(fit(out, prompt=True).averaged(estimate, variance)[1]) == pytest.approx(0.995, rel=1e-3)


def test_degrees_of_freedom_of_one_fit_are_those_of_its_readings() -> None:
    # One scale from 200 readings: V = v, so 2V²/(2v²/200) = 200.
    assert fit([1.0]).averaged(np.zeros((1, 1, 1)), np.ones((1, 1, 1)))[2] == pytest.approx(200)


@pytest.mark.parametrize("rate", [3, 5, 10, 20])
def test_settling_wear_is_followed(rate: float) -> None:
    # 1 − e^(−rate x): straight pieces of a fifth left 0.3 to 0.7 % of it beside the logarithm.
    x = (np.arange(200) + 0.5) / 200
    columns, wear = wear_columns(x), 1 - np.exp(-rate * x)
    left = wear - columns @ np.linalg.lstsq(columns, wear, rcond=None)[0]
    assert np.sqrt(np.mean(left**2)) < 2.5e-3


def test_splines_are_those_of_scipy() -> None:
    x = np.concatenate([np.linspace(0, 1, 101), WEAR_KNOTS])
    knots = np.concatenate([[0.0] * 3, WEAR_KNOTS, [1.0] * 3])
    assert wear_columns(x)[:, :-1] == pytest.approx(BSpline.design_matrix(x, knots, 3).toarray(), abs=1e-15)


def test_courses_with_one_and_two_episodes_are_ridge_regressions() -> None:
    """Against dense algebra: columns of episodes beside wear, their heights held to EPISODE_SD of the scatter."""
    rng = np.random.default_rng(5)
    k, p, lags = 60, 3, 2
    white, contrast = rng.standard_normal((1, k, p + 1 + lags + 3)), rng.standard_normal(p + 1 + lags + 3)
    white[0, :, -1] += white[0, :, -2]  # the two of a pair are not at right angles
    left = regression._without_wear(white, np.array([0.7]), contrast, p)
    pairs = np.array([[0, -1], [1, 2]])
    likelihood, b, s2, tt, moved = regression._fits(left, lags, pairs)
    wear, y, t, episodes = np.split(white[0], [p, p + 1, p + 1 + lags], axis=1)
    hat = wear @ np.linalg.solve(wear.T @ wear, wear.T)
    rest = np.eye(k) - hat
    dof = k - p - 1
    prior = (y.T @ rest @ y).item() / dof / regression.EPISODE_SD**2
    own = np.linalg.solve(wear.T @ wear, wear.T @ white[0])  # of each column in wear
    of = contrast[p:] - contrast[:p] @ own[:, p:]
    for course, some in enumerate(([], [0], [1, 2])):
        e = rest @ episodes[:, some]
        held = e.T @ e + prior * np.eye(len(some))
        metric = rest - e @ np.linalg.solve(held, e.T)
        ty = (t.T @ metric @ y)[:, 0]
        spread = np.diag(t.T @ metric @ t) + regression.LEAST_SPREAD_K**2 * (dof + 1)
        assert b[0, course] == pytest.approx(ty / spread, rel=1e-6)
        assert tt[0, course] == pytest.approx(spread, rel=1e-6)
        scatter = ((y.T @ metric @ y).item() - ty**2 / spread) / dof
        assert s2[0, course] == pytest.approx(scatter, rel=1e-6)
        heights = np.linalg.solve(held, e.T @ t)
        assert moved[0, course] == pytest.approx(of[1 : 1 + lags] - of[1 + lags :][some] @ heights, rel=1e-6)
        prior_b = scatter / regression.PRIOR_PER_K**2
        shrunk = ((y.T @ metric @ y).item() - ty**2 / (spread + prior_b)) / dof
        logs = 0.7 + np.linalg.slogdet(wear.T @ wear)[1] + np.linalg.slogdet(held / prior)[1]
        wanted = -0.5 * (logs + np.log1p(spread / prior_b) + dof * np.log(shrunk))
        assert likelihood[0, course] == pytest.approx(wanted, abs=1e-6)
