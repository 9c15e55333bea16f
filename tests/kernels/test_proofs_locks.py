"""Proof and lock kernels on plain arrays: closed forms, and slow ways of the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.kernels.locking import FAILED, FRESH, HELD, NOT_TESTED, find_changes, measure_lock, measure_unlock
from benchpipe.kernels.proof_measure import measure_proof, slope_u
from benchpipe.kernels.proofs import ProofTargets, first_fall, longest_still

TARGETS = ProofTargets(
    load=100.0, settling=10.0, band=1.0, attempt=65.0, hold_s=20.0, settling_s=5.0, drop=5.0, drop_s=0.5,
    end=np.inf, gap_s=0.1,
)  # fmt: skip


def proof(sag: float = 0.0, stays: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Without noise, 100 Hz: 6 s at 10, up at 20 a second, 20 s at 100 (sagging), down, 6 s at 10; stiffness 25."""
    t = np.arange(0.0, 41.0, 0.01)
    load = np.interp(t, (0, 6, 10.5, 30.5, 35, 41), (10, 10, 100, 100 - sag, 10, 10))
    return t, load, load / 25.0 + stays * (t > 20.0)


def test_closed_forms_without_noise() -> None:
    # slope, stiffness and set are those it is made of; a sag of 1 in 20 s falls 1/20 a second:
    # means over the first and the last second lie 19 s apart
    t, load, motion = proof(sag=0.8, stays=0.3)
    first = int(np.flatnonzero(load > 12.0)[0]) - 1
    got = measure_proof(t, load, motion, TARGETS, t[first], float(t[np.flatnonzero((t > 32) & (load <= 11.0))[0]]))
    assert got.outcome == "held"
    assert got.rate.value == pytest.approx(20.0, rel=1e-9)
    assert got.stiffness_before.value == pytest.approx(25.0, rel=1e-9)
    assert got.stiffness_after.value == pytest.approx(25.0, rel=1e-9)
    assert got.set.value == pytest.approx(0.3, abs=1e-9)
    assert got.drop_in_hold.value == pytest.approx(0.8 * 19.0 / 20.0, abs=0.01)
    assert got.hold_s == pytest.approx(20.0, abs=0.1)
    assert got.peak == got.carried == pytest.approx(100.0)
    assert np.isnan(got.failure_load)
    assert np.isnan(got.drop_load)


def test_a_gap_inside_is_no_measure() -> None:
    t, load, motion = proof()
    keep = (t < 20.0) | (t > 20.2)
    got = measure_proof(t[keep], load[keep], motion[keep], TARGETS, 6.09, 34.96)
    assert got.outcome == "gap"
    assert np.isnan([got.rate.value, got.peak, got.hold_s, got.set.value, got.carried]).all()


def test_a_set_is_corrected_for_the_difference_of_the_settling_loads() -> None:
    t, load, motion = proof(stays=0.3)
    late = t > 35.0
    load[late] += 0.5  # half a unit more: 0.02 of motion that is no set
    motion[late] += 0.5 / 25.0
    got = measure_proof(t, load, motion, TARGETS, 6.09, 34.96)
    assert got.set.value == pytest.approx(0.3, abs=1e-6)
    assert got.set.u == pytest.approx(0.02 / np.sqrt(3.0), rel=0.05)


def test_the_reading_before_a_proof_is_that_of_the_second_before_the_rise() -> None:
    # the way up may begin two bands (0.1 s at 20 a second) before the first sample that shows it
    t, load, motion = proof()
    start = 6.09
    motion += 1e-6 * np.random.default_rng(1).standard_normal(t.size)  # one that shows a single value is stuck
    motion += 0.2 * (t < start - 0.1 - 1.005) + 0.1 * ((t > start - 0.095) & (t < start))
    got = measure_proof(t, load, motion, TARGETS, start, 34.96)
    assert got.set.value == pytest.approx(0.0, abs=1e-6)
    motion += 0.4 * (t < start - 0.6)  # half of that second
    got = measure_proof(t, load, motion, TARGETS, start, 34.96)
    assert got.set.value == pytest.approx(-0.2, abs=0.005)


def test_the_uncertainty_of_a_slope_is_that_of_its_noise() -> None:
    # var(slope) = sigma^2 / Sxx for white noise (any text on least squares); a bend of the line adds nothing
    rng = np.random.default_rng(1)
    x = np.linspace(10.0, 90.0, 400)
    truth = 0.01 / np.sqrt(float((x - x.mean()) @ (x - x.mean())))
    got = [slope_u(x, 0.04 * x + 1e-4 * x**2 + 0.01 * rng.standard_normal(x.size)) for _ in range(60)]
    assert np.median(got) == pytest.approx(truth, rel=0.1)
    assert np.isnan(slope_u(x[:7], x[:7]))


@settings(max_examples=60)
@given(st.lists(st.integers(0, 20), min_size=2, max_size=40), st.integers(1, 8))
def test_the_first_fall_is_that_of_the_slow_way(values: list[int], window: int) -> None:
    load, t = np.array(values, float), np.arange(len(values), dtype=float)
    slow = (-1, -1)
    for k in range(1, load.size):
        before = range(max(k - window, 0), k + 1)
        top = max(before, key=lambda i: (load[i], i))
        if load[top] - load[k] >= 6.0:
            slow = (top, k)
            break
    assert first_fall(t, load, 0, load.size, 6.0, float(window)) == slow


@given(st.lists(st.integers(0, 2), min_size=1, max_size=30))
def test_the_longest_run_is_that_of_the_slow_way(values: list[int]) -> None:
    runs = np.split(np.array(values), np.flatnonzero(np.diff(values)) + 1)
    assert longest_still(np.array(values, float), 0, len(values)) == max(len(run) for run in runs)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.sampled_from([0.0, 1.0, 5.0]), st.integers(1, 6)), min_size=1, max_size=12))
def test_changes_are_the_stretches_that_stand(stretches: list[tuple[float, int]]) -> None:
    mode = np.concatenate([np.full(n, v, np.float32) for v, n in stretches])
    time_us = np.arange(mode.size) * 10_000
    found, state = find_changes(time_us, mode, 1.0, 0.0, 0, 50_000, FRESH)
    known = mode[mode != 5.0]
    turns = np.flatnonzero(np.diff(known) != 0) + 1
    assert [int(to) for to in found[:, 1]] == [int(known[k]) for k in turns]
    assert list(found[:, 0]) == [int(time_us[np.flatnonzero(mode != 5.0)[k]]) for k in turns]
    assert state.glitches == 0
    standing, _ = find_changes(time_us, mode, 1.0, 0.0, 30_000, 50_000, FRESH)
    assert len(standing) <= len(found)
    assert all(a != b for a, b in zip(standing[:-1, 1], standing[1:, 1], strict=True))


def test_a_lock_by_hand() -> None:
    # 0.3 s at 2 a second, then it stands; the load comes at 0.5 s
    t = np.arange(0.0, 2.0, 0.01)
    motion, load = 2.0 * np.minimum(t, 0.3), np.where(t >= 0.5, 4.0, 0.0)
    outcome, held_s, held_at, sd, travel, peak = measure_lock(t, load, motion, 0.0, 3.0, 0.04, 0.2)
    assert (outcome, sd, peak) == (HELD, pytest.approx(0.0, abs=1e-12), 4.0)
    assert (held_at, travel) == (pytest.approx(0.6), pytest.approx(0.6))
    assert held_s == pytest.approx(0.29)  # from there on within half of still of its place: 0.02 at 2 a second
    assert measure_lock(t, 0.0 * load, motion, 0.0, 3.0, 0.04, 0.2)[0] == NOT_TESTED
    assert measure_lock(t, load, 2.0 * t, 0.0, 3.0, 0.04, 0.2)[0] == FAILED
    # the same motion is elastic where the load goes with it
    outcome, held_s, *_ = measure_lock(t, 10.0 * t, 0.5 * t, 0.05, 3.0, 0.04, 0.2)
    assert (outcome, held_s) == (HELD, 0.0)


def test_the_held_position_is_the_mean_of_the_last_moments_before_it_holds() -> None:
    # it creeps at 0.1 a second, within what counts as still; the load to hold comes at 1 s, still_s is 0.2 s
    t = np.arange(0.0, 2.0, 0.01)
    motion, load = 0.1 * t, np.where(t > 0.995, 4.0, 0.0)
    outcome, held_s, held_at, sd, *_ = measure_lock(t, load, motion, 0.0, 3.0, 0.5, 0.2005)
    assert (outcome, held_s) == (HELD, 0.0)
    assert held_at == pytest.approx(0.1 * 0.9)  # samples from 0.8 s to 1 s
    assert sd == pytest.approx(0.001 * np.sqrt((21**2 - 1) / 12))  # evenly spaced: (n² - 1) / 12


def test_an_unlock_by_hand() -> None:
    t = np.arange(0.0, 2.0, 0.01)
    load = np.where(t < 0.4, 4.0, 0.5)
    outcome, free_s, travel, _ = measure_unlock(t, load, 3.0 * np.maximum(t - 0.4, 0.0), 3.0, 0.04, 0.2)
    assert (outcome, free_s, travel) == (HELD, pytest.approx(0.4), pytest.approx(4.77))
    assert measure_unlock(t, np.full(t.size, 4.0), 0.0 * t, 3.0, 0.04, 0.2)[0] == FAILED
    assert measure_unlock(t, np.full(t.size, 0.5), 0.0 * t, 3.0, 0.04, 0.2)[0] == NOT_TESTED
