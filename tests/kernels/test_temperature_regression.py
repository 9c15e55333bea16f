"""Averages over fits, and wear that the columns can follow."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline

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
