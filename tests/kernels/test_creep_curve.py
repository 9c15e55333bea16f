"""The smooth curve of random Kelvin bodies: against dense matrices, its symmetries, and what its intervals cover."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, t

from benchpipe.kernels.creep_curve import CurveFigure, CurveLayout, curve_layout, step_left
from tests.benchmarks.drawn_holds import STEP, drawn

COUNTS = np.array([1, 1, 1, 2, 2, 3, 4, 6, 8, 12, 15])
READINGS = 5.0 + np.arange(COUNTS.sum())
END = float(READINGS[-1])
SUMS = np.repeat(np.eye(COUNTS.size), COUNTS, axis=1) / COUNTS[:, None]
TIMES = SUMS @ READINGS


def figures(layout: CurveLayout, since: float, end: float) -> list[CurveFigure]:
    """Motion, creep by the end and in a third of it, rate at the end, leak."""
    ladder = layout.ladder
    return [ladder.motion(since), ladder.between(since, end), ladder.between(since, end / 3), ladder.rate(end),
            ladder.leak()]  # fmt: skip


def the_layout(time: Any, count: Any, end: float) -> CurveLayout:
    found = curve_layout(time, count, end)
    assert found is not None
    return found


def dense(y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same figures by dense matrices, reading by reading, as the reference of the method is written."""
    apart = np.abs(READINGS[:, None] - READINGS)
    same = np.eye(READINGS.size)

    def slow(tau: float) -> np.ndarray:
        return np.exp(-apart / tau)

    noises = [(same, 1 / 3)]
    for tau, share in product(np.geomspace(0.3, END / 20, 16), (1.0, 0.6, 0.3, 0.1)):
        noises.append((share * slow(tau) + (1 - share) * same, 1 / 3 / 64))
    flicker = sum(slow(tau) for tau in np.geomspace(0.4, 3 * END, 12)) / 12
    noises += [(share * flicker + (1 - share) * same, 1 / 21) for share in (1.0, 0.8, 0.6, 0.4, 0.2, 0.1, 0.03)]
    low, high = TIMES[0] / 3, 3 * END
    taus = np.geomspace(low, high, 1 + round(3 * np.log10(high / low)))

    def fixed(at: float) -> np.ndarray:
        return np.array([1.0, at / END])

    def bodies(at: float) -> np.ndarray:
        return 1 - np.exp(-at / taus)

    x, b = (np.array([f(at) for at in TIMES]) for f in (fixed, bodies))
    small = 1e-5
    wanted = [
        (fixed(TIMES[0]), bodies(TIMES[0])),
        *((fixed(at) - fixed(TIMES[0]), bodies(at) - bodies(TIMES[0])) for at in (END, END / 3)),
        ((fixed(END) - fixed(END - small)) / small, (bodies(END + small / 2) - bodies(END - small / 2)) / small),
        (np.array([0.0, 1 / END]), 0 * taus),
    ]
    worth, value, variance = [], [], []
    dof = y.size - 2
    for (c, prior), r in product(noises, [0.0, *10.0 ** np.arange(-1, 10)]):
        v = SUMS @ c @ SUMS.T + r * b @ b.T
        inverse = np.linalg.inv(v)
        spread = np.linalg.inv(x.T @ inverse @ x)
        beta = spread @ x.T @ inverse @ y
        left = y - x @ beta
        s2 = left @ inverse @ left / dof
        logs = np.linalg.slogdet(v)[1] - np.linalg.slogdet(spread)[1] + dof * np.log(s2)
        worth.append(np.log(prior) - logs / 2)
        value.append([g @ beta + r * h @ b.T @ inverse @ left for g, h in wanted])
        misses = []
        for g, h in wanted:
            w = r * inverse @ b @ h
            d = g - x.T @ w
            misses.append(s2 * (r * h @ h - r * w @ b @ h + d @ spread @ d))
        variance.append(misses)
    weight = np.exp(np.array(worth) - max(worth))
    weight /= weight.sum()
    values, each = np.array(value), np.array(variance)
    mean, within = weight @ values, weight @ each
    total = within + weight @ (values - mean) ** 2
    freedom = 2 * total**2 / ((1 + 2 / dof) * (weight @ each**2) - within**2)
    return mean, np.sqrt(total), np.clip(freedom, 4, dof)


@pytest.mark.parametrize("shape", ["log", "noise", "leak"])
def test_figures_equal_those_of_dense_matrices(shape: str) -> None:
    rng = np.random.default_rng(2)
    clean = {"log": 0.5 * np.log(READINGS), "noise": 0 * READINGS, "leak": 0.05 * READINGS}[shape]
    y = SUMS @ (clean + 0.1 * rng.standard_normal(READINGS.size))
    layout = the_layout(TIMES, COUNTS, END)
    found = layout.predict(y, figures(layout, TIMES[0], END))
    for ours, theirs in zip((found.value, found.standard_error, found.dof), dense(y), strict=True):
        np.testing.assert_allclose(ours[:, 0], theirs, rtol=2e-3, atol=1e-6)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.floats(1e-3, 1e3), st.floats(-50.0, 50.0), st.floats(-5.0, 5.0))
def test_scale_and_a_steady_motion_go_through(seed: int, scale: float, offset: float, leak: float) -> None:
    """Constant and leak are free: what is added of them is found, and no interval changes."""
    y = np.log(TIMES) + 0.1 * np.random.default_rng(seed).standard_normal(TIMES.size)
    layout = the_layout(TIMES, COUNTS, END)
    asked = figures(layout, TIMES[0], END)
    plain, moved = layout.predict(y, asked), layout.predict(scale * (y + offset + leak * TIMES), asked)
    more = np.array([offset + leak * TIMES[0], leak * (END - TIMES[0]), leak * (END / 3 - TIMES[0]), leak, leak])
    np.testing.assert_allclose(moved.value[:, 0] / scale, plain.value[:, 0] + more, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(moved.standard_error / scale, plain.standard_error, rtol=1e-5)


def test_many_holds_at_once_are_as_each_alone() -> None:
    y = np.log(TIMES) + 0.1 * np.random.default_rng(3).standard_normal((40, TIMES.size))
    layout = the_layout(TIMES, COUNTS, END)
    asked = figures(layout, TIMES[0], END)
    many = layout.predict(y, asked, [np.ones(TIMES.size)])
    one = layout.predict(y[7], asked, [np.ones(TIMES.size)])
    np.testing.assert_allclose(many.value[:, 7], one.value[:, 0], rtol=1e-9)
    np.testing.assert_allclose(many.half(0.95)[:, 7], one.half(0.95)[:, 0], rtol=1e-9)
    np.testing.assert_allclose(many.shared[0, :, 7], [1, 0, 0, 0, 0], atol=1e-9)  # a common offset is no creep


def test_without_noise_the_curve_is_the_truth() -> None:
    time = np.geomspace(10.0, 3600.0, 70)
    layout = the_layout(time, np.ones(70), 3600.0)
    found = layout.predict(0.06 * np.log10(1 + time / 5), figures(layout, 10.0, 3600.0))
    assert found.value[1, 0] == pytest.approx(0.06 * np.log10(3605 / 15), rel=1e-4)
    assert found.value[3, 0] == pytest.approx(0.06 / np.log(10) / 3605, rel=0.02)


@pytest.mark.parametrize(
    ("time", "end"), [(np.arange(1.0, 6.0), 6.0), (np.array([1.0, 3, 2, 4, 5, 6, 7]), 6.0), (np.arange(1.0, 9.0), 0.0)]
)
def test_too_few_times_or_times_that_fall_are_no_layout(time: np.ndarray, end: float) -> None:
    assert curve_layout(time, np.ones(time.size), end) is None


@pytest.mark.parametrize("ratio", [0.0, 0.1, 0.2, 0.3, 0.5])
def test_what_is_left_of_a_step_is_the_bias_of_rounding(ratio: float) -> None:
    """The mean of rounded readings by the normal distribution, over all places between two steps."""
    at, steps = (np.arange(4000) + 0.5) / 4000, np.arange(-8, 9)
    if ratio:
        edges = norm.cdf((steps[:, None] + 0.5 - at) / ratio)
        mean = steps[-1] - edges[:-1].sum(axis=0)
    else:
        mean = np.round(at)
    spread = np.sqrt(ratio**2 + 1 / 4)  # the least noise that such a spread shows
    assert float(step_left(0.01, 0.01 * spread)) == pytest.approx(0.01 * np.sqrt(np.mean((mean - at) ** 2)), rel=0.01)


def test_readings_that_flicker_between_two_steps_show_no_noise() -> None:
    assert float(step_left(0.01, 0.005)) == pytest.approx(0.01 / np.sqrt(12), rel=2e-3)
    assert float(step_left(0.01, 0.010)) < 1e-6


def test_a_channel_without_steps_leaves_nothing() -> None:
    assert float(step_left(0.0, 0.003)) == 0.0
    assert float(step_left(1e-7, 0.003)) < 1e-12


OUTSIDE = ("power + log", "log offset + leak", "two Kelvin + leak", "stretched + leak")


@pytest.mark.parametrize(("noise", "most"), [("white", 0.003), ("1/f + white", 0.012)])
def test_intervals_cover_for_laws_outside_every_table(noise: str, most: float) -> None:
    """The long form, at least 400 holds a cell, is tests/benchmarks/free_coverage.py."""
    rng = np.random.default_rng(12)
    hits, rates, halves = [], [], []
    for law in OUTSIDE:
        holds = [drawn(law, noise, rng, 600.0, 10.0) for _ in range(40)]
        after = holds[0].time_s >= 10.0
        edges = np.unique(np.floor(25 * np.log10(holds[0].time_s[after])), return_index=True)[1]
        count = np.diff([*edges, after.sum()])
        time = np.add.reduceat(holds[0].time_s[after], edges) / count
        layout = the_layout(time, count, 600.0)
        averages = np.array([np.add.reduceat(hold.motion[after], edges) / count for hold in holds])
        found = layout.predict(averages, figures(layout, time[0], 600.0))
        reach = t.ppf(0.975, found.dof) * found.standard_error
        true = [hold.truth(np.array([time[0], 600.0])) for hold in holds]
        slopes = [np.diff(hold.truth(np.array([599.94, 600.0])))[0] / 0.06 for hold in holds]
        hits += list(np.abs(found.value[1] - np.diff(true)[:, 0]) <= reach[1])
        rates += list(np.abs(found.value[3] - slopes) <= 1.25 * reach[3])
        halves += list(reach[1])
    assert np.mean(hits) >= 0.9
    assert np.mean(rates) >= 0.94
    assert np.median(halves) < most


def test_small_creep_under_a_coarse_step_is_not_claimed_away() -> None:
    """Readings that stick show no motion, and no scatter: only the step says how much may hide in them."""
    rng = np.random.default_rng(13)
    hold = drawn("Kelvin", "0.01 deg steps", rng, 600.0, 10.0, size=0.02)
    quiet = STEP * np.round(hold.truth(hold.time_s) / STEP)
    assert np.ptp(quiet) == 0.0
    assert 2 * np.sqrt(2) * float(step_left(STEP, 0.0)) > hold.truth(np.array([600.0]))[0]
