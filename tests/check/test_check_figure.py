"""What a figure's budget is made of, part by part (invented figures)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.values import Typical, Values
from benchpipe.check.figure import READING, SCATTER, JudgedFigure, figure_of_values
from benchpipe.check.measures import our_measures
from benchpipe.kernels.slope_attenuation import attenuation_u
from benchpipe.kernels.window_noise import fit_block_noise, window_u
from tests.benchmarks.verdicts import CYCLES, RIG, Drawn, limit, window

RNG = np.random.default_rng(4)
PLAIN = 40.0 + RNG.standard_normal(CYCLES)
LOUD_END = 40.0 + RNG.standard_normal(CYCLES) * np.where(np.arange(CYCLES) < 0.95 * CYCLES, 1.0, 4.0)


def figure(
    history: np.ndarray, first: int, last: int, statistic: str, measure: str = "period_s", **more: Any
) -> JudgedFigure:
    values: Values = replace(window(history[first:last], first), **more)
    tables: Any = Drawn(fit_block_noise(history))
    return figure_of_values(limit(measure, statistic, "<="), our_measures()[measure], RIG, values, tables)


def part(found: JudgedFigure, name: str) -> Any:
    return next(part for part in found.budget.parts if part.name == name)


@pytest.mark.parametrize("statistic", ["mean", "median"])
def test_the_scatter_is_that_of_the_statistic(statistic: Any) -> None:
    # The median of white readings scatters by √(π/2) more than their mean.
    scatter = part(figure(PLAIN, 100, 300, statistic), SCATTER)
    assert scatter.u == pytest.approx(window_u(fit_block_noise(PLAIN), 200, statistic, 100).u, rel=1e-12)
    assert scatter.u == pytest.approx((np.pi / 2 if statistic == "median" else 1.0) ** 0.5 / 200**0.5, rel=0.15)
    assert scatter.note == f"200 cycles of {CYCLES:,}"


@pytest.mark.parametrize("statistic", ["mean", "median", "last"])
def test_a_window_where_the_noise_is_louder_is_less_certain(statistic: str) -> None:
    early = figure(LOUD_END, 400, 500, statistic).budget.parts[0].u
    late = figure(LOUD_END, CYCLES - 100, CYCLES, statistic).budget.parts[0].u
    assert late > 2.0 * early


@pytest.mark.parametrize("statistic", ["last", "median"])
def test_a_figure_of_a_short_block_is_in_doubt(statistic: str) -> None:
    few = PLAIN[:50]
    tables: Any = Drawn(fit_block_noise(few))
    values = replace(window(few, CYCLES - 50), block="b")
    found = figure_of_values(limit("period_s", statistic, "<="), our_measures()["period_s"], RIG, values, tables)
    assert found.doubt == window_u(fit_block_noise(few), 1, "median").why
    assert figure(PLAIN, 0, CYCLES, statistic).doubt == ""
    assert found.few is False  # its noise is the block's


@pytest.mark.parametrize(("dof", "few"), [(2.0, True), (40.0, False)])
def test_the_last_of_some_holds_has_few_degrees_of_freedom_where_its_own_are(dof: float, few: bool) -> None:
    sweeps = replace(window(np.array([20.9, 21.0]), 0), u=np.array([0.1, 0.1]), dof=np.full(2, dof))
    tables: Any = Drawn(fit_block_noise(np.zeros(2)))
    measure = our_measures()["range_of_motion"]
    assert figure_of_values(limit("range_of_motion", "last", ">="), measure, RIG, sweeps, tables).few is few


def test_the_slope_between_two_loads_is_fitted_on_the_samples_of_a_sine_between_them() -> None:
    low, high, samples, noise, load_range = 0.2, 0.7, 200.0, 0.05, 75.0
    typical = Typical(load_range=load_range, motion_noise=noise, samples=samples)
    rising = np.sin(np.linspace(-np.pi / 2, np.pi / 2, 200_001)) / 2 + 0.5  # half a turn, from 0 to 1
    inside = samples / 2 * np.mean((rising > low) & (rising < high))
    for statistic in ("median", "last", "max"):
        found = figure(PLAIN, 100, 300, statistic, "loading_stiffness", typical=typical, band=(low, high))
        attenuated = part(found, "attenuation of the slope")
        width = (high - low) * load_range / found.value
        assert attenuated.u == pytest.approx(found.value * float(attenuation_u(noise, width, inside)), rel=1e-3)
        assert attenuated.note == "noise of the motion"
    quiet = figure(PLAIN, 100, 300, "median", "loading_stiffness", typical=replace(typical, motion_noise=0.0))
    assert [one.name for one in quiet.budget.parts if one.u > 0.0] == [SCATTER]


@pytest.mark.parametrize("statistic", ["median", "last", "max"])
def test_the_largest_of_noisy_samples_reads_high_and_the_smallest_low(statistic: str) -> None:
    # A rectangle from 0 to 2 standard deviations of a sample, about 0: 2 s / √3 (GUM 4.3.7).
    typical = Typical(load_noise=0.3, motion_noise=0.01)
    largest = figure(PLAIN, 100, 300, statistic, "peak_load", typical=typical)
    smallest = figure(PLAIN, 100, 300, statistic, "valley_load", typical=typical)
    assert largest.high is not None
    assert smallest.low is not None
    assert (largest.high.u, largest.low) == (pytest.approx(0.6 / 3**0.5), None)
    assert (smallest.low.u, smallest.high) == (pytest.approx(0.6 / 3**0.5), None)
    moved = figure(PLAIN, 100, 300, statistic, "motion_max", typical=typical).high
    assert moved is not None
    assert moved.u == pytest.approx(0.02 / 3**0.5)
    without = figure(PLAIN, 100, 300, statistic, "period_s", typical=typical)
    assert (without.high, without.low) == (None, None)


def test_the_own_uncertainty_of_one_value_is_shown_by_its_parts() -> None:
    one = replace(
        window(np.array([21.0]), 0), u=np.array([0.1]), dof=np.array([7.0]), own_parts=(("lag", np.array([0.06])),)
    )
    tables: Any = Drawn(fit_block_noise(np.zeros(2)))
    how, measure = limit("range_of_motion", "median", ">="), our_measures()["range_of_motion"]
    found = figure_of_values(how, measure, RIG, one, tables)
    assert [(p.name, p.u) for p in found.budget.parts[:2]] == [
        ("one value", pytest.approx(0.08)), ("lag", pytest.approx(0.06))
    ]  # fmt: skip
    assert (found.budget.parts[0].dof, found.budget.parts[0].note) == (7.0, "its own")
    more = replace(one, own_parts=(("lag", np.array([0.2])),))  # more than the whole: the whole counts
    whole = figure_of_values(how, measure, RIG, more, tables).budget.parts[0]
    assert (whole.name, whole.u) == ("one value", pytest.approx(0.1))
    alone = figure_of_values(how, measure, RIG, replace(one, own_parts=(("lag", np.zeros(1)),)), tables)
    assert [p.name for p in alone.budget.parts if p.u > 0.0] == ["one value"]


def test_a_reading_between_samples_may_miss_its_extreme() -> None:
    missed = np.linspace(0.0, 0.4, 200)
    for statistic, expected in (("median", 0.2), ("last", 0.4)):
        found = figure(PLAIN, 100, 300, statistic, "peak_load", sampling_u=missed)
        assert part(found, "sampling").u == pytest.approx(expected)
    found = figure(PLAIN, 100, 300, "max", "peak_load", sampling_u=missed)
    assert part(found, "sampling").u == pytest.approx(missed[PLAIN[100:300].argmax()])
    assert part(found, READING).u > 0.5
