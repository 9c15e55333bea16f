"""Loop measures against closed forms.

Sources: E_d = pi T0 th0 sin(delta) for an ellipse, storage |K| cos(delta) and loss |K| sin(delta),
4 F x0 for Coulomb friction, under-read of a polygon 1 - sin(2 pi/N)/(2 pi/N) and of a peak
1 - cos(pi/N): elementary geometry, recomputed; the storage and loss convention is that of
ISO 6721-1 and ASTM D5992 [M: from memory, not verified]. All signals are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.kernels.boundaries import BETWEEN, CLOSED, FRESH, OPEN, bounds_of, find_boundaries
from benchpipe.kernels.filters import gaussian_weights, smooth
from benchpipe.kernels.loops import FIELD, measure_loops

NONE = np.ones(1)


def measured(
    load: np.ndarray, motion: np.ndarray, step_us: int | np.ndarray, low: float, high: float
) -> dict[str, np.ndarray]:
    """Measures of the complete cycles of two signals."""
    time_us = np.cumsum(np.broadcast_to(np.asarray(step_us), load.shape)).astype(np.int64)
    events, _ = find_boundaries(time_us, load, 0, low, high, 10**12, 10**12, FRESH)
    a, b, *parts, _, _ = bounds_of(events[events[:, 2] == CLOSED].copy(), load, high)
    warm = np.full(load.size, 21.5)
    rows = measure_loops(time_us, load, motion, warm, a, b, parts[0], parts[1], 0.2, 0.8, NONE)
    return {name: rows[:, i] for name, i in FIELD.items()}


@given(st.floats(20, 400), st.floats(0.01, 1.2), st.floats(0, 6.28))
def test_an_ellipse_has_its_closed_form(per_cycle: float, delta: float, phase: float) -> None:
    turns = 2 * np.pi * np.arange(int(6 * per_cycle)) / per_cycle + phase
    got = measured(40 + 30 * np.sin(turns), 4 + 3 * np.sin(turns - delta), 10_000, 30.0, 50.0)
    step = 2 * np.pi / per_cycle
    coarse = step**2  # what a polygon of so many corners may miss
    assert got["energy"].size >= 3
    np.testing.assert_allclose(got["energy"], np.pi * 90 * np.sin(delta), rtol=coarse, atol=90 * coarse * 0.02)
    np.testing.assert_allclose(got["storage_stiffness"], 10 * np.cos(delta), atol=10 * coarse / 4)
    np.testing.assert_allclose(got["loss_stiffness"], 10 * np.sin(delta), atol=10 * coarse / 4)
    np.testing.assert_allclose(got["period_s"], per_cycle * 0.01, rtol=coarse / 10)
    np.testing.assert_allclose(got["load_mean"], 40, atol=30 * coarse / 10)
    np.testing.assert_allclose(got["motion_mean"], 4, atol=3 * coarse / 10)
    assert np.all(got["peak_load"] <= 70 + 1e-9)
    assert np.all(70 - got["peak_load"] <= 30 * (1 - np.cos(np.pi / per_cycle)) + 1e-9)


@pytest.mark.parametrize(("corners", "missing"), [(20, 0.0164), (50, 0.0026), (100, 0.00066), (200, 0.00016)])
def test_a_polygon_of_n_corners_reads_low_by_the_formula(corners: int, missing: float) -> None:
    turns = 2 * np.pi * (np.arange(10 * corners) + 0.5) / corners
    got = measured(np.sin(turns), np.sin(turns - 0.5), 10_000, -0.1, np.sin(np.pi / corners))  # high on a sample
    full = np.pi * np.sin(0.5)
    exact = np.sin(2 * np.pi / corners) / (2 * np.pi / corners)
    np.testing.assert_allclose(got["energy"][2:] / full, exact, rtol=1e-9)
    assert 1 - exact == pytest.approx(missing, rel=0.03)  # printed to two digits


def test_a_coulomb_loop_has_a_square_shoulder_and_four_f_x() -> None:
    turns = 2 * np.pi * np.arange(5 * 2000) / 2000
    motion, rate = 3 * np.sin(turns), np.cos(turns)
    load = 10 * motion + 5 * np.sign(rate)
    got = measured(load, motion, 500, -15.0, 15.0)
    np.testing.assert_allclose(got["energy"], 4 * 5 * 3, rtol=1e-3)
    np.testing.assert_allclose(got["loading_stiffness"], 10, rtol=1e-6)
    np.testing.assert_allclose(got["unloading_stiffness"], 10, rtol=1e-6)
    np.testing.assert_allclose(got["backlash"], 2 * 5 / 10, rtol=1e-6)  # the branches stand 2 F / k apart


def test_a_spring_damper_gives_its_constants_whatever_the_sampling() -> None:
    """load = k x + c dx/dt: storage k, loss c w (closed form)."""
    k, c, w = 12.0, 0.3, 2 * np.pi
    rng = np.random.default_rng(4)
    for jitter in (0, 2_900):
        steps = 10_000 + rng.integers(-jitter, jitter + 1, 3000)
        t = np.cumsum(steps) * 1e-6
        x = 2 * np.sin(w * t)
        got = measured(k * x + c * 2 * w * np.cos(w * t), x, steps, -5.0, 5.0)
        np.testing.assert_allclose(got["storage_stiffness"], k, rtol=2e-3)
        np.testing.assert_allclose(got["loss_stiffness"], c * w, rtol=6e-3)
        np.testing.assert_allclose(got["energy"], np.pi * c * w * 4, rtol=3e-3)
        assert np.all(got["waveform_error"] < 0.02)


def test_steps_that_drift_within_a_cycle_are_not_taken_as_even() -> None:
    """Two rates in turn, each half a cycle long; and a rate that swings with the cycle."""
    n = np.arange(20 * 92) % 92
    for steps in (np.where(n < 46, 10_000, 12_000), np.rint(11_000 + 1_000 * np.sin(2 * np.pi * n / 92)).astype(int)):
        turns = 2 * np.pi * np.cumsum(steps) / steps[:92].sum()
        got = measured(40 + 30 * np.sin(turns), 4 + 3 * np.sin(turns - 0.1), steps, 30.0, 50.0)
        np.testing.assert_allclose(got["load_mean"], 40, atol=0.01)
        np.testing.assert_allclose(got["loss_stiffness"], 10 * np.sin(0.1), rtol=1e-3)
        assert np.all(got["waveform_error"] < 0.002)


def integral(t: np.ndarray, v: np.ndarray, begin: float, end: float) -> float:
    """Mean of the path through samples between two times, by a fine sum."""
    fine = begin + (np.arange(200_000) + 0.5) / 200_000 * (end - begin)
    return float(np.interp(fine, t, v).mean())


@pytest.mark.parametrize("spacing", ["jitter", "rejected", "even"])
def test_means_use_the_sample_times(spacing: str) -> None:
    """Jitter of a twentieth of a step that goes with the load, and rows that were rejected while it was high."""
    time_us = np.arange(600) * 10_000
    turns = 2 * np.pi * time_us * 1e-6
    if spacing == "jitter":
        time_us = time_us + np.rint(450 * np.sin(turns + 0.5)).astype(np.int64)
    load = 40 + 30 * np.sin(2 * np.pi * time_us * 1e-6)
    keep = (load < 55.0) | (np.arange(600) % 5 == 0) | (spacing != "rejected")
    time_us, load = time_us[keep].astype(np.int64), load[keep]
    motion, warm = load / 10 + 1.0, 20.0 + load / 100
    events, _ = find_boundaries(time_us, load, 0, 30.0, 45.0, 10**12, 10**12, FRESH)
    a, b, *parts, _, _ = bounds_of(events[events[:, 2] == CLOSED].copy(), load, 45.0)
    rows = measure_loops(time_us, load, motion, warm, a, b, parts[0], parts[1], 0.2, 0.8, NONE)
    for c in range(a.size):
        begin = time_us[a[c] - 1] + parts[0][c] * (time_us[a[c]] - time_us[a[c] - 1])
        end = time_us[b[c] - 1] + parts[1][c] * (time_us[b[c]] - time_us[b[c] - 1])
        for name, values in (("load_mean", load), ("motion_mean", motion), ("temperature_c", warm)):
            off = 3e-3 if (name, spacing) == ("temperature_c", "even") else 1e-5 * np.ptp(values)
            assert rows[c, FIELD[name]] == pytest.approx(integral(time_us, values, begin, end), abs=off), name
        if spacing == "rejected":
            assert load[a[c] : b[c]].mean() < 35.0


def test_a_temperature_that_is_not_known_everywhere_is_a_mean_over_time_of_what_is() -> None:
    time_us = np.array([0, 10, 20, 40, 50, 90, 100], np.int64) * 1000
    warm = np.array([20.0, np.nan, 20.0, 21.0, np.nan, 23.0, 23.0])
    load = np.sin(np.arange(7.0))
    rows = measure_loops(
        time_us, load, load, warm, np.array([1]), np.array([6]), np.array([0.5]), np.array([0.5]), 0.2, 0.8, NONE
    )
    # from 5 to 95 ms; the boundary at 5 has no value: 20 up to 20 ms, then a line to 21 at 40 and one to 23 at 90
    mean = (15 * 20 + 20 * 20.5 + 50 * 22 + 5 * 23) / 90
    assert rows[0, FIELD["temperature_c"]] == pytest.approx(mean, rel=1e-12)
    none = measure_loops(
        time_us, load, load, np.full(7, np.nan), np.array([1]), np.array([6]), np.array([0.5]), np.array([0.5]),
        0.2, 0.8, NONE,
    )  # fmt: skip
    assert np.isnan(none[0, FIELD["temperature_c"]])


@pytest.mark.parametrize(
    ("valley", "peak", "known"),
    [(-30.0, 30.0, True), (-70.0, -10.0, False), (10.0, 70.0, False), (50.0, 1330.0, False), (0.0, 60.0, True),
     (5.0, 1330.0, True), (-1330.0, -5.0, True), (-1330.0, -50.0, False)],
)  # fmt: skip
def test_lash_is_known_only_where_the_loop_comes_to_zero_load(valley: float, peak: float, known: bool) -> None:
    turns = 2 * np.pi * np.arange(5 * 2000) / 2000
    middle, half = 0.5 * (peak + valley), 0.5 * (peak - valley)
    load = middle + half * np.sin(turns)
    motion = load / 10 - 0.5 * np.sign(np.cos(turns))  # two branches, 1 apart
    got = measured(load, motion, 500, middle - 0.3 * half, middle + 0.3 * half)
    if known:
        np.testing.assert_allclose(got["backlash"], 1.0, rtol=1e-6)
    else:
        assert np.isnan(got["backlash"]).all()
    np.testing.assert_allclose(got["loading_stiffness"], 10, rtol=1e-6)


def test_a_third_harmonic_shows_as_waveform_error() -> None:
    turns = 2 * np.pi * np.arange(2000) / 200
    load = np.sin(turns) + 0.1 * np.sin(3 * turns)
    np.testing.assert_allclose(measured(load, np.sin(turns), 10_000, -0.3, 0.3)["waveform_error"], 0.1, rtol=1e-2)


def test_two_peaks_in_a_step_are_one_cycle_and_noise_makes_none() -> None:
    rng = np.random.default_rng(5)
    turns = 2 * np.pi * np.arange(100 * 50) / 100
    step = np.clip(60 * np.sin(turns) + 25 * np.sin(3 * turns), 0, None)  # heel, then toe
    for load in (step, step + rng.uniform(-9, 9, step.size)):
        got = measured(load, load / 10, 10_000, 15.0, 38.0)
        assert got["period_s"].size == 49
        np.testing.assert_allclose(got["period_s"], 1.0, atol=0.06)


def test_a_stop_and_a_gap_end_a_cycle_open() -> None:
    turns = 2 * np.pi * np.arange(1000) / 100
    load = np.sin(turns)
    time_us = np.arange(1000) * 10_000
    time_us[400:] += 5_000_000  # a gap
    load[700:] = 0.0  # a stop
    events, state = find_boundaries(time_us, load, 0, -0.3, 0.3, 500_000, 2_000_000, FRESH)
    assert events[:, 2].tolist().count(OPEN) == 2
    assert state.row == BETWEEN
    assert set(events[:, 3].tolist()) == {1, 2}


def test_the_low_pass_passes_half_at_its_cut_off_and_keeps_lines() -> None:
    weights = gaussian_weights(10.0, 1000.0)
    turns = 2 * np.pi * 10.0 * np.arange(4000) / 1000
    assert smooth(np.sin(turns), weights)[1000:3000].max() == pytest.approx(0.5, abs=0.005)
    line = np.linspace(0.0, 7.0, 500)
    np.testing.assert_allclose(smooth(line, weights), line, atol=1e-12)
