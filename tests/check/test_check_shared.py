"""What a few values share: errors that their scatter does not show (invented figures)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.values import values_of
from benchpipe.check.figure import JudgedFigure, figure_of_values
from benchpipe.check.measures import our_measures
from benchpipe.kernels.window_noise import fit_block_noise
from tests.benchmarks.verdicts import RIG, Drawn, limit

SHARED = "what the values share"


def figure(value: list[float], u: list[float], statistic: str = "median") -> JudgedFigure:
    """Range of motion of some sweeps with their own uncertainty."""
    number = np.arange(1.0, len(value) + 1)
    values = values_of(number, np.array(value), np.array(u), len(value), what="sweep")
    tables: Any = Drawn(fit_block_noise(np.zeros(2)))
    how = limit("range_of_motion", statistic, ">=")
    return figure_of_values(how, our_measures()["range_of_motion"], RIG, values, tables)


def parts(found: JudgedFigure) -> dict[str, float]:
    return {part.name: part.u for part in found.budget.parts}


@pytest.mark.parametrize("statistic", ["median", "mean"])
def test_sweeps_that_err_alike_are_as_uncertain_as_one(statistic: str) -> None:
    """Sampled at the same places: 20.96 where 21 is true, each ± 0.12, and a scatter of 0.01."""
    found = figure([20.961, 20.960, 20.944], [0.051, 0.071, 0.064], statistic)
    assert parts(found)[SHARED] == pytest.approx((0.064**2 - np.var([20.961, 20.960, 20.944], ddof=1)) ** 0.5)
    assert found.value + found.expanded_u(statistic) > 21.0


def test_values_that_scatter_as_they_say_share_nothing() -> None:
    assert SHARED not in parts(figure([20.9, 21.0, 21.1], [0.09, 0.08, 0.1]))


def test_one_poor_fit_of_five_does_not_widen_all() -> None:
    assert SHARED not in parts(figure([20.9, 21.0, 21.1, 21.0, 20.9], [0.05, 0.05, 0.05, 0.05, 2.0]))


def test_values_without_an_uncertainty_of_their_own_have_their_scatter_alone() -> None:
    assert SHARED not in parts(figure([20.9, 21.0, 21.1], [np.nan] * 3))
