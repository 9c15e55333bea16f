"""Scores of steps and hinges: against plain least squares, under slow noise, and where they are not separable."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchpipe.kernels.binned_noise import BinnedNoiseModels
from benchpipe.kernels.change_score import ChangeTable, coarse_models, normal_score

K = 120


def table(y: np.ndarray, x: np.ndarray, changes: np.ndarray, models: BinnedNoiseModels | None = None) -> ChangeTable:
    time = 3600.0 * np.arange(y.size)
    return ChangeTable.made(
        models or coarse_models(3600.0, float(time[-1])), time, np.full(y.size, 3600.0), np.ones(y.size),
        np.column_stack([x, y]), changes,
    )  # fmt: skip


def steps(k: int = K) -> np.ndarray:
    return (np.arange(k)[:, None] >= np.arange(10, k - 10)).astype(float)


def test_in_white_noise_alone_it_is_ordinary_least_squares() -> None:
    rng = np.random.default_rng(1)
    x = np.column_stack([np.ones(K), np.linspace(-1, 1, K)])
    y, s = rng.standard_normal(K) + 2.0 * (np.arange(K) >= 60), steps()[:, [50]]
    white = BinnedNoiseModels(np.ones(1), np.zeros(1))
    found = table(y, x, s, white).scores(2, [0, 1], np.full(2, np.inf))
    full = np.column_stack([x, s])
    b, rest, *_ = np.linalg.lstsq(full, y, rcond=None)
    u = np.sqrt(rest[0] / (K - 3) * np.linalg.inv(full.T @ full)[2, 2])
    assert found.height[0] == pytest.approx(b[2], rel=1e-4)
    assert found.u[0] == pytest.approx(u, rel=1e-4)
    assert found.dof == K - 3


def test_the_normal_score_is_as_improbable_as_student() -> None:
    for dof in (10, 30, 200):
        for t in (1.0, 3.0, 6.0):
            assert float(normal_score(np.array(t), dof)) == pytest.approx(stats.norm.isf(stats.t.sf(t, dof)), rel=0.01)


def test_a_step_is_placed_and_measured() -> None:
    rng = np.random.default_rng(2)
    y = 0.1 * rng.standard_normal(K) + 1.0 * (np.arange(K) >= 70)
    found = table(y, np.ones((K, 1)), steps()).scores(1, [0], np.array([np.inf]))
    best = int(np.nanargmax(np.abs(found.z)))
    assert best + 10 == 70
    assert found.height[best] == pytest.approx(1.0, abs=0.1)
    assert int(np.argmax(found.likelihood)) == best


def test_slow_noise_makes_scores_smaller_than_white_noise_would() -> None:
    rng = np.random.default_rng(3)
    slow = np.zeros(K)
    for i in range(1, K):
        slow[i] = 0.95 * slow[i - 1] + np.sqrt(1 - 0.95**2) * rng.standard_normal()
    ones, prior = np.ones((K, 1)), np.array([np.inf])
    fitted = table(slow, ones, steps()).scores(1, [0], prior)
    white = table(slow, ones, steps(), BinnedNoiseModels(np.ones(1), np.zeros(1))).scores(1, [0], prior)
    assert np.nanmax(np.abs(fitted.z)) < 4.5 < np.nanmax(np.abs(white.z))


def test_a_change_that_the_columns_hold_already_has_no_score() -> None:
    rng = np.random.default_rng(4)
    s = steps()[:, [30]]
    found = table(rng.standard_normal(K), np.column_stack([np.ones(K), s]), s).scores(2, [0, 1], np.full(2, np.inf))
    assert np.isnan(found.z[0])
    assert found.likelihood[0] == -np.inf


def test_a_prior_holds_a_coefficient() -> None:
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(K), np.sin(np.arange(K) / 4)])
    y = 5.0 * x[:, 1] + 0.1 * rng.standard_normal(K)
    made = table(y, x, steps())
    free = made.null(2, [0, 1], np.array([np.inf, np.inf]))
    held = made.null(2, [0, 1], np.array([np.inf, 1e-3]))
    assert free[1][0, 1] == pytest.approx(5.0, abs=0.1)
    assert abs(held[1][0, 1]) < 1.0


def test_the_likeliest_column_is_chosen() -> None:
    rng = np.random.default_rng(6)
    lags = np.column_stack([np.sin(np.arange(K) / 4 - shift) for shift in (0.0, 0.5, 1.0)])
    y = lags[:, 1] + 0.1 * rng.standard_normal(K)
    made = table(y, np.column_stack([np.ones(K), lags]), steps())
    assert made.likeliest([4], [0], [1, 2, 3], 10.0).tolist() == [1]


@pytest.mark.filterwarnings("error")
def test_a_column_of_noughts_does_not_hide_a_step() -> None:
    rng = np.random.default_rng(4)
    y = 0.1 * rng.standard_normal(K) + 1.0 * (np.arange(K) >= 70)
    one, nought = np.ones((K, 1)), np.zeros((K, 1))
    prior = np.array([np.inf, np.inf])
    alone = table(y, one, steps()).scores(1, [0], prior[:1])
    beside = table(y, np.column_stack([one, nought]), steps()).scores(2, [0, 1], prior)
    assert beside.height[60] == pytest.approx(alone.height[60], rel=0.01)  # noise models weigh a little otherwise
    assert beside.z[60] == pytest.approx(alone.z[60], rel=0.05)  # with a degree of freedom less
    assert int(np.nanargmax(np.abs(beside.z))) == int(np.nanargmax(np.abs(alone.z))) == 60
    held = table(y, np.column_stack([one, nought]), steps()).scores(2, [0, 1], np.array([np.inf, 0.1]))
    assert int(np.nanargmax(np.abs(held.z))) + 10 == 70
    both = table(y, np.column_stack([one, nought, np.linspace(-1, 1, K)[:, None]]), steps())
    assert both.likeliest([3], [0], [1, 2], 1.0).tolist() == [1]
