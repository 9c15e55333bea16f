"""Decision rules: measured value, guards and limit → verdict on an item.

Pass only where the value lies inside the limit by its guard, fail only where it lies outside by as much,
inconclusive between. A rule fixes the guard by the largest risk of accepting an item *exactly at its limit*: that,
and not the share of wrong passes, is what it promises.

References
----------
ILAC-G8:09/2019 (guard bands w = r U; binary statements), ISO 14253-1:2017 (default: 5 %), JCGM 106:2012.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import floor, inf, isfinite, isnan, nan
from typing import Literal, NamedTuple

import numpy as np

from benchpipe.check.budget import Budget
from benchpipe.check.decision import Verdict
from benchpipe.check.rounding import risk_text
from benchpipe.check.together import TogetherResult
from benchpipe.kernels.risk import normal_risk

UNGUARDED = 0.5
FLOAT32_INTEGERS = 2.0**24
"""From here on float32 steps over integers, and a count would be compared with its neighbour."""


@dataclass(frozen=True)
class Rule:
    """A decision rule, named in a limit file and printed with each verdict.

    Attributes
    ----------
    name : str
        As printed: "simple acceptance", "guard band of 2 u".
    risk : float
        Largest probability that an item exactly at its limit passes.
    """

    name: str
    risk: float

    def __post_init__(self) -> None:
        if not 0.0 < self.risk <= UNGUARDED:
            raise ValueError(f"the accepted risk must be above 0 and at most 0.5: {self.risk}")

    @property
    def guarded(self) -> bool:
        """Whether the uncertainty is taken into account at all."""
        return self.risk < UNGUARDED

    @property
    def text(self) -> str:
        """Return the rule in words, with what it promises."""
        if not self.guarded:
            return f"{self.name}: an item at the limit passes with 50 %"
        return f"{self.name}: an item at the limit passes with at most {risk_text(self.risk)}"

    def guard(self, budget: Budget | None, *, few: bool) -> float:
        """Guard of a figure in its unit: 0 for simple acceptance, NaN where the budget is not known."""
        if not self.guarded:
            return 0.0
        return budget.guard(self.risk, few=few) if budget is not None else nan


def simple_acceptance() -> Rule:
    """Return the rule without a guard band (ILAC-G8:09/2019: binary statement, simple acceptance)."""
    return Rule("simple acceptance, no guard band", UNGUARDED)


def guard_of_u(factor: float) -> Rule:
    """Return the rule with a guard band of ``factor`` standard uncertainties: 1 − Φ(factor).

    With few degrees of freedom the band is Student's factor of the same risk wide, not ``factor``.
    """
    return Rule(f"guard band of {factor:g} u", normal_risk(factor))


def guard_of_expanded(factor: float) -> Rule:
    """Return the rule with a guard band of ``factor`` U, where U = 2 u."""
    return Rule(f"guard band of {factor:g} U", normal_risk(2.0 * factor))


def accepted_risk(risk: float) -> Rule:
    """Return the rule that states the largest risk of accepting an item at the limit."""
    return Rule(f"accepted risk of {risk_text(risk)}", risk)


@dataclass(frozen=True)
class Window:
    """What a figure must lie within: one limit or two, limits included."""

    low: float = -inf
    high: float = inf

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"the low limit {self.low:g} is above the high limit {self.high:g}")

    @classmethod
    def of(cls, operator: Literal["<=", ">="], limit: float) -> Window:
        """Return the window of one limit; where that is not finite, nothing is evaluated."""
        return cls(high=limit) if operator == "<=" else cls(low=limit)

    @property
    def known(self) -> bool:
        """Whether at least one limit is a number, and none is NaN."""
        return not (isnan(self.low) or isnan(self.high)) and (isfinite(self.low) or isfinite(self.high))


class Guards(NamedTuple):
    """How far the true value may lie above and below a figure. Only extremes have two different ones."""

    above: float
    below: float


def figure_of(value: float) -> float:
    """Return the shortest decimal of a figure in single precision, as a double.

    Samples are kept as float32, in which 23.1 is 23.10000038: as a double it would lie above a limit of 23.1. The
    shortest decimal that names the same float32 is what the rig wrote. An integer is itself: counts are exact.
    """
    if not isfinite(value) or float(value).is_integer():  # each double beyond float32's range is an integer
        return float(value)
    return float(str(np.float32(value)))


def margin_of(value: float, operator: Literal["<=", ">="], limit: float) -> float:
    """Distance to the limit, positive on the good side, in the figure's own precision.

    Within one step of float32 of the limit the figure's shortest decimal (`figure_of`) is compared, and the
    distance never gets larger than that step. Further off, or where float32 does not hold each integer, the
    difference is that of the doubles.
    """
    over = value - limit
    if abs(limit) < FLOAT32_INTEGERS:
        step = float(np.abs(np.spacing(np.float32(limit))))
        if abs(over) <= step:
            over = min(max(figure_of(value) - limit, -step), step)
    return -over if operator == "<=" else over


def margin_within(value: float, window: Window) -> float:
    """Smaller of the distances to both limits, negative outside."""
    sides = [margin_of(value, ">=", window.low)] if isfinite(window.low) else []
    sides += [margin_of(value, "<=", window.high)] if isfinite(window.high) else []
    return min(sides, default=nan)


def decide(value: float | None, guards: Guards | float | None, window: Window) -> Verdict:
    """Judge one figure against one limit or two.

    Parameters
    ----------
    value : float or None
        None, NaN or infinite: not evaluated, never a pass.
    guards : Guards, float or None
        Widths of the guard bands; one number stands for both sides. Not known: not evaluated.
    window : Window
        Both limits of one figure are judged jointly: a pass needs the guard to either, a fail one broken by its own.
    """
    above, below = guards if isinstance(guards, tuple) else (guards, guards)
    if value is None or above is None or below is None or not isfinite(value) or not window.known:
        return Verdict.NOT_EVALUATED
    if not (isfinite(above) and isfinite(below) and above >= 0.0 and below >= 0.0):
        return Verdict.NOT_EVALUATED
    # Against a high limit a pass asks how far above the truth may lie, a fail how far below; and the reverse.
    high = margin_of(value, "<=", window.high)
    low = margin_of(value, ">=", window.low)
    if high >= above and low >= below:
        return Verdict.PASS
    return Verdict.FAIL if high < -below or low < -above else Verdict.INCONCLUSIVE


def acceptance(guards: Guards | float, window: Window) -> tuple[float, float]:
    """Return the values that pass, from and to; from above to where the guards leave none (a U too large for it)."""
    above, below = guards if isinstance(guards, tuple) else (guards, guards)
    return window.low + below, window.high - above


def allowed_exceptions(cycles: int, share: float) -> int:
    """Largest whole number of exceptions that an allowed share of cycles covers.

    From the share's decimal: 0.29 of 100 is 29, although the product of doubles is below it.
    """
    return floor(Fraction(repr(float(share))) * cycles)


def decide_exceptions(cycles: int, over: int, hidden: int, share: float = 0.0) -> Verdict:
    """Judge a limit on every cycle of which an allowed share may break it.

    Parameters
    ----------
    cycles : int
        All cycles begun in the window, measured or not.
    over : int
        Cycles that surely break the limit (by the guard that `extremes.exception_guards` gives for a fail).
    hidden : int
        Further cycles that may break it: not measured, spoiled, or within the guard.
    share : float
        Allowed share, 0 for a limit that no cycle may break.

    Raises
    ------
    ValueError
        Where the counts contradict one another or the share is not between 0 and 1.
    """
    if min(over, hidden) < 0 or over + hidden > cycles or not 0.0 <= share < 1.0:
        raise ValueError(f"{over} over and {hidden} hidden of {cycles} cycles with a share of {share}")
    if cycles == 0:
        return Verdict.NOT_EVALUATED
    allowed = allowed_exceptions(cycles, share)
    if over > allowed:
        return Verdict.FAIL
    return Verdict.PASS if over + hidden <= allowed else Verdict.INCONCLUSIVE


def false_passes_together(risks: Iterable[float]) -> TogetherResult:
    """Return how many of several passes can be false together, from the risk of each rule."""
    each = [float(r) for r in risks]
    total = sum(each)
    return TogetherResult(len(each), total, min(total, 1.0))
