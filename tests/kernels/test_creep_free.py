"""Figures free of a law: what enters their intervals, and what is not given. All data are invented."""

from __future__ import annotations

from math import hypot, isnan, sqrt
from typing import Any

import numpy as np
import pytest

from benchpipe.kernels.creep_choice import fit_laws
from benchpipe.kernels.creep_fit import BEFORE, NO_LAW, CreepResult, fit_creep
from benchpipe.kernels.creep_free import FreeCreep, free_creep
from benchpipe.kernels.creep_laws import KELVIN_BODY, NO_MOTION, STEADY_LEAK
from tests.kernels.averaged import log_averages

READ = np.arange(1.0, 3601.0)


def averages(motion: np.ndarray, noise: float = 0.003, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log-spaced averages of an hour at 1 Hz, from 10 s on."""
    bins = log_averages(READ, motion + noise * np.random.default_rng(seed).standard_normal(READ.size), start=10.0)
    return bins.position, bins.value, np.asarray(bins.count, float)


def free(motion: np.ndarray, **more: Any) -> FreeCreep:
    time, value, count = averages(motion)
    return free_creep(time, value, count, **({"since_s": float(time[0]), "end_s": 3600.0} | more))


def fitted(motion: np.ndarray, seed: int = 1, **more: Any) -> CreepResult:
    time, value, count = averages(motion, seed=seed)
    return fit_creep(time, value, count, end_s=3600.0, **more)


LOG = 0.06 * np.log10(1 + READ / 5)


def half(figure: Any) -> float:
    return float(figure.high - figure.value)


def test_step_drift_and_common_errors_add_as_a_root_sum_of_squares() -> None:
    plain = free(LOG, asked_s=(600.0,))
    first = plain.since_s
    stepped = free(LOG, asked_s=(600.0,), resolution=0.01, spread=0.0)
    left = 0.01 / sqrt(12)
    assert half(stepped.creep_end) == pytest.approx(hypot(half(plain.creep_end), 2 * sqrt(2) * left), rel=2e-3)
    assert half(stepped.end_rate) == pytest.approx(
        hypot(half(plain.end_rate), 2 * sqrt(2) * left / (0.3 * 3600)), rel=2e-3
    )
    drifting = free(LOG, asked_s=(600.0,), drift_per_s=1e-6)
    assert drifting.creep_end.drift_u == pytest.approx(1e-6 * (3600 - first))
    assert half(drifting.creep_at[0]) == pytest.approx(hypot(half(plain.creep_at[0]), 2e-6 * (600 - first)))
    assert half(drifting.leak) == pytest.approx(hypot(half(plain.leak), 2e-6))
    time = averages(LOG)[0]
    leaning = free(LOG, errors=[1e-6 * time])  # an error that runs as a leak does
    assert half(leaning.creep_end) == pytest.approx(half(drifting.creep_end), rel=1e-6)
    shifted = free(LOG, errors=[np.full(time.size, 0.1)])
    assert half(shifted.creep_end) == pytest.approx(half(plain.creep_end), rel=1e-9)
    assert half(shifted.motion) == pytest.approx(0.2, rel=0.01)


def test_there_is_no_figure_before_the_beginning_or_after_the_end() -> None:
    found = free(LOG, asked_s=(2.0, 600.0, 7200.0))
    assert [figure.known for figure in found.creep_at] == [False, True, False]
    assert found.creep_at[1].value == pytest.approx(0.06 * np.log10(121 / (1 + found.since_s / 5)), abs=0.004)


def test_averages_that_are_no_numbers_or_too_few_give_no_figure() -> None:
    time, value, count = averages(LOG)
    value[3] = np.nan
    none = free_creep(time, value, count, since_s=10.0, end_s=3600.0, asked_s=(60.0,))
    few = free_creep(time[:4], time[:4], count[:4], since_s=10.0, end_s=3600.0)
    assert not none.converged
    assert not few.converged
    assert isnan(none.creep_end.value)
    assert isnan(none.creep_at[0].high)


def test_creep_asked_before_the_fit_begins_is_not_given_and_is_remarked() -> None:
    result = fitted(LOG, asked_s=(2.0, 60.0))
    assert result.creep_at[0].before
    assert isnan(result.creep_at[0].creep.value)
    assert isnan(result.creep_at[0].reading_high)
    assert result.creep_at[1].creep.told_from_zero
    assert BEFORE in result.remarks
    assert BEFORE not in fitted(LOG, asked_s=(60.0,)).remarks


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_leak_goes_the_loads_way_or_is_nought(way: float) -> None:
    """A law without a leak once gave a surely negative one in 94 of 100 holds."""
    settles = -0.2 * np.expm1(-READ / 300.0)
    for seed in range(4):
        leak = fitted(way * settles, seed, way=way).leak
        assert min(leak.low * way, leak.high * way) == 0.0
        assert leak.value * way >= 0.0
    leaking = fitted(way * (settles + 1e-4 * READ), way=way)
    assert leaking.leak.told_from_zero
    assert leaking.leak.low < way * 1e-4 < leaking.leak.high
    back = fitted(way * (0.01 * np.log10(READ) - 1e-4 * READ), way=way)
    assert back.against
    assert (back.leak.value, back.leak.told_from_zero) == (0.0, False)


def test_where_no_law_fits_the_figures_stay_and_the_law_goes() -> None:
    motion = -0.2 * np.expm1(-READ / 300.0) - 0.05 * np.expm1(-READ / 40.0) + 4e-4 * READ
    result = fitted(motion, asked_s=(600.0, 7200.0), way=1.0)
    assert (result.law, result.kind) == (None, "undecided")
    assert NO_LAW in result.remarks
    assert result.creep_end.low < motion[-1] - np.interp(result.reference_s, READ, motion) < result.creep_end.high
    assert isnan(result.creep_at[1].creep.value)  # nothing is known beyond the hold
    assert result.leak.low == 0.0  # no law says that there is one
    assert result.leak.value <= result.leak.high
    assert result.leak.high > 4e-4


def test_a_misfit_of_a_few_averages_shows_in_no_runs_and_shows_beside_a_free_curve() -> None:
    motion = -0.2 * np.expm1(-READ / 600) - 0.02 * np.exp(-READ / 12)
    fits = fit_laws(*averages(motion, seed=2), laws=(NO_MOTION, STEADY_LEAK, KELVIN_BODY))
    kelvin = fits.fit("Kelvin")
    assert kelvin.runs_p > 0.1
    assert kelvin.free_p < 0.01
    assert (kelvin.fits, fits.pattern) == (False, True)


@pytest.mark.parametrize(
    ("name", "motion"),
    [
        ("log time with offset", 0.06 * np.log10(1 + READ / 30.0)),
        ("stretched exponential", -0.2 * np.expm1(-((READ / 300.0) ** 0.5))),
        ("two Kelvin", -0.1 * np.expm1(-READ / 40.0) - 0.1 * np.expm1(-READ / 1200.0)),
    ],
)
def test_the_laws_that_were_missing_are_named(name: str, motion: np.ndarray) -> None:
    time, value, count = averages(motion, noise=0.0005)
    result = fit_creep(time, value, count, end_s=3600.0)
    assert result.law == name
    assert result.creep_end.low < motion[-1] - np.interp(time[0], READ, motion) < result.creep_end.high
