"""Noise of the deciding reading of an extreme where few readings show it: the others, without the reading itself.

One overload among six readings is most of their scatter: 95 among 80s reads 95 ± 26, and a limit of 85 was not broken.
The scatter s of the others does not depend on the reading, so (x − limit)/s is Student's t with n − 2 degrees of
freedom, and t(1 − risk/n) s a guard at the risk for white noise, whichever of n is the largest (Bonferroni).

That guard serves a fail alone. For a pass it would not do: slow noise, which a few readings in a row do not show,
passed 14 % of items at the limit falsely (six readings, AR(1) of 0.9, one truly higher than the others; none with the
scatter of all). The figure has one uncertainty, that of the others where it is the narrower; an item that only the
scatter of all keeps from passing is inconclusive and says so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.check.budget import BudgetPart

READING = "noise of one reading"
FEW_READINGS = "too few readings to know slow noise: a pass asks for the scatter of all of them, the largest included"
FEWEST_OTHERS = 2
SLOWEST = 0.992  # correlation of neighbouring cycles that a block too short to show it may have
DIGIT = 2.0  # times the standard uncertainty of a digit: fewer readings than it takes may all show the same one


def scatter_of(values: NDArray[np.float64], what: str = "") -> BudgetPart | None:
    """The scatter of some readings as the noise of one; None where there are too few."""
    if values.size < FEWEST_OTHERS:
        return None
    note = f"scatter of {what} {values.size:,}".replace("  ", " ")
    return BudgetPart(READING, float(np.std(values, ddof=1)), values.size - 1.0, "A", note)


def hidden_scatter(n: int) -> float:
    """How many times larger noise may be than the scatter of so many neighbouring cycles shows.

    The scatter of n values whose neighbours correlate by ρ is σ √(1 − r), r the mean correlation of their pairs
    (AR(1): ρ to the power of the distance).
    """
    apart = np.arange(1, n)
    mean = 2.0 * float(np.sum((n - apart) * SLOWEST**apart)) / (n * (n - 1))
    return float((1.0 - mean) ** -0.5)


def scatter_of_others(values: NDArray[np.float64], at: int, stated: tuple[BudgetPart, ...]) -> BudgetPart | None:
    """The scatter of the readings without the one at a place, no less than the digits in ``stated`` let it show."""
    found = scatter_of(np.delete(values, at), "the other")
    if found is None:
        return None
    digit = float(np.hypot.reduce([part.u for part in stated if part.name.startswith("resolution of '")] or [0.0]))
    return BudgetPart(READING, max(found.u, DIGIT * digit), found.dof, "A", found.note)
