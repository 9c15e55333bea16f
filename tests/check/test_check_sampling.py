"""What sampling takes off a cycle, against closed forms at 10 to 5,000 samples a cycle (invented signals).

A sine, a sine with a third harmonic, an ellipse and a loop with Coulomb friction: their extremes, areas and slopes
are known exactly. They are sampled at any phase, measured by the kernels, and held against the estimate.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchpipe.blocks.cutting import Cut, beginning
from benchpipe.blocks.cyclic.chunks import chunk_of, joined, known
from benchpipe.blocks.cyclic.cycles import CycleSettings, cycles_table
from benchpipe.blocks.cyclic.sampling import RECTANGLE, Sampled, area_under_read, peak_under_read, sampling_u
from benchpipe.check.measures import our_measures
from benchpipe.columns import floats
from benchpipe.kernels.filters import gaussian_weights
from benchpipe.samples.range_ends import NO_ENDS
from benchpipe.samples.signals import Signals
from benchpipe.tables import schema
from tests.check.judged import SURE_RIG, judge, limit, run_with
from tests.check.judged import cycles as cycle_rows

ROUNDING = 1e-6  # cycles hold float32
SINE = np.zeros(1)


# Worst under-read of a sine's amplitude at N samples a cycle, per cent (recomputed: 1 - cos(pi / N)).
@pytest.mark.parametrize(("samples", "per_cent", "digits"), [(10, 4.89, 2), (20, 1.23, 2), (50, 0.197, 3),
                                                             (100, 0.049, 3), (200, 0.012, 3)])  # fmt: skip
def test_the_peak_under_read(samples: int, per_cent: float, digits: int) -> None:
    low = float(peak_under_read(np.array([samples]), SINE)[0])
    assert round(100.0 * low, digits) == per_cent
    at = 2.0 * np.pi * (np.arange(samples) + 0.5) / samples  # the peak half way between two samples
    assert 1.0 - np.cos(at).max() == pytest.approx(low, abs=1e-12)


# A polygon's area reads low by 1 - sin(2 pi / N) / (2 pi / N), per cent (recomputed).
@pytest.mark.parametrize(("samples", "per_cent", "digits"), [(20, 1.64, 2), (50, 0.26, 2), (100, 0.066, 3),
                                                             (200, 0.016, 3)])  # fmt: skip
def test_the_area_under_read(samples: int, per_cent: float, digits: int) -> None:
    low = float(area_under_read(np.array([samples]))[0])
    assert round(100.0 * low, digits) == per_cent
    at = 2.0 * np.pi * np.arange(samples) / samples
    x, y = 3.0 * np.cos(at), 2.0 * np.sin(at + 0.4)
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    assert 1.0 - area / (np.pi * 3.0 * 2.0 * np.cos(0.4)) == pytest.approx(low, abs=1e-12)


def measured(load: np.ndarray, motion: np.ndarray, per_cycle: float) -> dict[str, np.ndarray]:
    """Columns of the cycles table of complete cycles at 1 Hz."""
    low, high = 0.5 - 0.18, 0.5 + 0.18
    bottom, span = load.min(), np.ptp(load)
    how = CycleSettings(
        block="b", cut=Cut(True, bottom + low * span, bottom + high * span, False, 10**9, 10**10), gap_s=1e9,
        band=(0.2, 0.8), weights=gaussian_weights(None, 1.0), least_samples=5, targets=None, target_tolerance=0.0,
        load_ends=NO_ENDS, motion_ends=NO_ENDS, energy_factor=1.0,
    )  # fmt: skip
    time_us = np.rint(np.arange(len(load)) * 1e9 / per_cycle).astype(np.int64)  # a thousand seconds a cycle
    empty = np.empty(0)
    signals = Signals(time_us, load, motion, empty, empty).copy()
    rows = joined(known(beginning(how.cut)), chunk_of(signals, how), how).rows
    table = cycles_table(rows, 0, how, schema("cycles"))
    table = table.filter(table.column("complete"))
    return {name: floats(table.column(name)) for name in table.column_names if name != "block"}


def sampled(got: dict[str, np.ndarray]) -> Sampled:
    names = ("samples", "load_range", "motion_range", "waveform_error", "phase_deg")
    return Sampled(*(got[name] for name in names))


def worst(name: str, got: dict[str, np.ndarray]) -> np.ndarray:
    """The end of the rectangle: what a figure may be off by at most."""
    return sampling_u(our_measures()[name], got[name], sampled(got)) / RECTANGLE


PER_CYCLE = st.one_of(st.floats(10, 40), st.floats(40, 400), st.floats(400, 5000))


@settings(max_examples=150)
@given(PER_CYCLE, st.floats(0, 6.28), st.floats(-1.3, 1.3))
def test_a_sampled_ellipse_is_off_by_no_more_than_its_estimate(n: float, phase: float, delta: float) -> None:
    turns = 2 * np.pi * np.arange(int(12 * n)) / n + phase
    got = measured(40 + 30 * np.sin(turns), 4 + 3 * np.sin(turns - delta), n)
    assert got["peak_load"].size >= 9
    for name, exact in {
        "peak_load": 70, "valley_load": 10, "load_range": 60, "motion_max": 7, "motion_min": 1, "motion_range": 6,
        "energy_j": np.pi * 90 * np.sin(delta), "secant_stiffness": 10 / np.cos(delta),
    }.items():  # fmt: skip
        off, most = np.abs(got[name] - exact), worst(name, got)
        room = ROUNDING * max(abs(exact), 1.0)
        if name == "secant_stiffness":  # of second order in the step, where the phase is large
            room += 3 * (np.pi / n) ** 2 * abs(exact) * np.tan(delta) ** 2 + abs(exact) * 0.2 * (np.pi / n) ** 3
        if name == "energy_j":  # the crossings lie on chords
            room += 0.05 * (2 * np.pi / n) ** 3 * 90
        assert np.all(off <= most * (1 + 1e-3) + room), (name, off.max(), most.max())


@settings(max_examples=100)
@given(PER_CYCLE, st.floats(0, 6.28), st.floats(0, 0.3), st.floats(-np.pi, np.pi))
def test_a_third_harmonic_sharpens_what_sampling_takes_off(n: float, phase: float, w: float, lag: float) -> None:
    turns = 2 * np.pi * np.arange(int(12 * n)) / n + phase
    fine = np.linspace(0, 2 * np.pi, 200_001)
    exact = np.max(np.sin(fine) + w * np.sin(3 * fine + lag))
    got = measured(np.sin(turns) + w * np.sin(3 * turns + lag), np.sin(turns), n)
    if not got["peak_load"].size:  # at ten samples a cycle such a wave may not reach its thresholds
        assert n < 25
        return
    low = exact - got["peak_load"]
    assert np.all(low >= -ROUNDING)
    assert np.all(low <= 1.1 * worst("peak_load", got) + ROUNDING), (low.max(), worst("peak_load", got).max())


@settings(max_examples=40)
@given(st.floats(20, 5000), st.floats(0, 6.28), st.floats(0.02, 1.0))
def test_square_shoulders_lose_no_more_area_than_the_estimate(n: float, phase: float, friction: float) -> None:
    turns = 2 * np.pi * np.arange(int(12 * n)) / n + phase
    got = measured(10 * np.sin(turns) + friction * np.sign(np.cos(turns)), np.sin(turns), n)
    exact = 4 * friction
    off, most = exact - got["energy_j"], worst("energy_j", got)
    assert np.all(np.abs(off) <= 1.02 * most + 1e-5), (off.max(), most.max())


def test_two_u_hold_the_peak_in_at_least_95_of_100_cycles() -> None:
    rng = np.random.default_rng(7)
    for n in rng.uniform(10, 400, 40):
        turns = 2 * np.pi * np.arange(int(60 * n)) / n
        got = measured(np.sin(turns), np.sin(turns - 0.2), n)
        u = sampling_u(our_measures()["peak_load"], got["peak_load"], sampled(got))
        assert np.mean(np.abs(got["peak_load"] - 1.0) <= 2 * u) >= 0.95


def test_measures_that_no_sample_bounds_and_logs_of_peaks_have_none() -> None:
    of = Sampled(*(np.array([v, 1.0]) for v in (50.0, 75.0, 3.6, 0.1, 5.0)))
    one = np.array([2.0, 2.0])
    assert np.all(sampling_u(our_measures()["loading_stiffness"], one, of) == 0.0)
    peaks = Sampled(np.array([1.0]), np.array([75.0]), np.array([3.6]), np.array([np.nan]), np.array([np.nan]))
    for name in ("peak_load", "energy_j", "secant_stiffness"):
        assert sampling_u(our_measures()[name], one[:1], peaks)[0] == 0.0
        assert sampling_u(our_measures()[name], one, of)[0] > 0.0


def test_a_verdict_takes_the_estimate_of_its_own_cycle(tmp_path: Path) -> None:
    made = cycle_rows(50, samples=[20] * 49 + [200], peak_load=[80.0] * 50, waveform_error=0.0, phase_deg=5.0)
    run = run_with(
        tmp_path, limit("peak_load", "90 N*m", statistic="last", name="last"),
        limit("peak_load", "90 N*m", statistic="median", name="median"), rig=SURE_RIG,
    )  # fmt: skip
    verdicts = {v["limit"]: v["expanded_u"] for v in judge(run, cycles=made)}
    for name, samples in (("last", 200), ("median", 20)):
        low = float(peak_under_read(np.array([samples - 1.0]), SINE)[0])  # the period may be a sample shorter
        u = 1.959964 * RECTANGLE * 37.5 * low / (1.0 - low)
        assert verdicts[name] == pytest.approx(u, rel=1e-6), name
