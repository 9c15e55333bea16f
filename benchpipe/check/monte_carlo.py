"""Monte Carlo check of a budget whose figure is not linear in its inputs (JCGM 101:2008).

A ratio near zero, a range and a breakpoint are such figures: propagating standard uncertainties by derivatives
may state too little. The check draws the inputs, and the larger of both uncertainties is used.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.check.budget import RISK, Budget, BudgetPart
from benchpipe.kernels.risk import student_guard

Floats = NDArray[np.float64]
SEED = 20260101
DRAWS = 20_000


@dataclass(frozen=True)
class Input:
    """One input of a figure: its estimate, standard uncertainty, degrees of freedom and shape."""

    value: float
    u: float
    dof: float = inf
    shape: Literal["normal", "rectangular", "triangular"] = "normal"


@dataclass(frozen=True)
class MonteCarloResult:
    """Draws of a figure.

    Attributes
    ----------
    value : float
        The figure at the inputs' estimates.
    u : float
        Standard deviation of the finite draws.
    low, high : float
        Ends of the interval with equal probability (of ``coverage``) outside each.
    n_used, n_drawn : int
        Draws with a finite figure, and all. A draw without one counts as beyond both ends.
    draws : ndarray, shape (n_used,), float64
        In rising order.
    """

    value: float
    u: float
    low: float
    high: float
    coverage: float
    n_used: int
    n_drawn: int
    converged: bool
    draws: Floats

    def quantiles(self, risk: float) -> tuple[float, float]:
        """Values that at most ``risk`` of the draws lie below, and above; infinite where too many have no figure."""
        place = risk * self.n_drawn - (self.n_drawn - self.n_used)
        if place < 1.0:
            return -inf, inf
        low, high = np.interp([place, self.n_used - 1 - place], np.arange(self.n_used), self.draws)
        return float(low), float(high)

    def guard(self, risk: float = RISK) -> float:
        """Width to the further of both quantiles; NaN where the figure or the quantiles are not known."""
        low, high = self.quantiles(risk)
        reach = max(self.value - low, high - self.value)
        return reach if isfinite(reach) else nan


def propagate(
    figure: Callable[..., ArrayLike],
    inputs: Sequence[Input],
    *,
    correlation: ArrayLike | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
    coverage: float = 0.95,
) -> MonteCarloResult:
    """Draw the inputs and evaluate the figure on all draws at once.

    An input of finite degrees of freedom is drawn as value + u·t (JCGM 101, 6.4.9), one of infinite as normal.

    Parameters
    ----------
    figure : callable
        Takes one array of shape (draws,) an input and gives the figure's array; also called with single values.
    inputs : sequence of Input
    correlation : array_like, shape (len(inputs), len(inputs)), optional
        Correlation coefficients of inputs of infinite degrees of freedom and normal shape.
    draws, seed : int
        Fixed by default, so that a verdict is the same each night.
    coverage : float

    Raises
    ------
    ValueError
        Where correlated inputs are not normal.
    """
    if correlation is not None and any(i.shape != "normal" or isfinite(i.dof) for i in inputs):
        raise ValueError("only normal inputs of infinite degrees of freedom can be correlated")
    rng = np.random.default_rng(seed)
    drawn = _standard(rng, inputs, draws)
    if correlation is not None:
        drawn = _root(np.asarray(correlation, np.float64)) @ drawn
    columns = [i.value + i.u * z for i, z in zip(inputs, drawn, strict=True)]
    with np.errstate(all="ignore"):  # a draw that has no figure is counted, not reported
        found = np.broadcast_to(np.asarray(figure(*columns), np.float64), (draws,))
        at = float(np.asarray(figure(*(np.float64(i.value) for i in inputs))))
    good = np.sort(found[np.isfinite(found)])
    u = float(np.std(good, ddof=1)) if good.size > 1 else nan
    known = isfinite(at) and all(isfinite(i.u) and i.u >= 0.0 and i.dof > 0.0 for i in inputs)
    result = MonteCarloResult(at, u, nan, nan, coverage, good.size, draws, False, good)
    if not known:
        return result
    low, high = result.quantiles(0.5 * (1.0 - coverage))
    return MonteCarloResult(at, u, low, high, coverage, good.size, draws, isfinite(high - low), good)


def _standard(rng: np.random.Generator, inputs: Sequence[Input], draws: int) -> Floats:
    """Draws of standard uncertainty 1 (of scale 1 for Student's t), shape (inputs, draws)."""
    rows = []
    for one in inputs:
        if one.shape == "rectangular":
            rows.append(rng.uniform(-sqrt(3.0), sqrt(3.0), draws))
        elif one.shape == "triangular":
            rows.append(rng.triangular(-sqrt(6.0), 0.0, sqrt(6.0), draws))
        elif isfinite(one.dof) and one.dof > 0.0:
            rows.append(rng.standard_t(one.dof, draws))
        else:
            rows.append(rng.standard_normal(draws))
    return np.array(rows).reshape(len(inputs), draws)


def _root(correlation: Floats) -> Floats:
    """Square root of a correlation matrix; singular ones (coefficients of ± 1) are allowed."""
    value, vector = np.linalg.eigh(correlation)
    return np.asarray(vector * np.sqrt(np.clip(value, 0.0, None)), np.float64)


def larger_of(budget: Budget, checked: MonteCarloResult, *, few: bool, risk: float = RISK) -> Budget:
    """Return the budget, with a part for what is not linear where the Monte Carlo guard is the larger one.

    Parameters
    ----------
    budget : Budget
    checked : MonteCarloResult
    few : bool
        As for :meth:`Budget.guard`.
    risk : float
        The guard at this risk is compared.

    Returns
    -------
    Budget
        Its guard at ``risk`` is the larger of both. Not known where the Monte Carlo run is not.
    """
    name, goal = "not linear (Monte Carlo)", checked.guard(risk)
    if not (checked.converged and isfinite(goal)):
        return budget.with_parts(BudgetPart(name, nan, note="too many draws have no figure"))
    if not budget.known or budget.guard(risk, few=few) >= goal:
        return budget
    low, high = 0.0, goal / float(student_guard(risk, inf))  # with this part alone the guard is the goal
    for _ in range(60):
        middle = 0.5 * (low + high)
        enough = budget.with_parts(BudgetPart(name, middle)).guard(risk, few=few) >= goal
        low, high = (low, middle) if enough else (middle, high)
    return budget.with_parts(BudgetPart(name, high, note=f"{checked.n_drawn:,} draws"))
