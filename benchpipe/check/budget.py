"""The uncertainty budget of a figure: its parts, their sum, degrees of freedom, expanded uncertainty and guard.

References
----------
JCGM 100:2008 (GUM): 4.3 (type B), 5.1.2 (root sum of squares), G.3 (Student's factor), G.4.1 and equation G.2b
(effective degrees of freedom, Welch-Satterthwaite).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, nan, pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from benchpipe.kernels.risk import normal_risk, student_guard

RISK = normal_risk(2.0)
"""False passes at the limit that a guard band of U = 2 u leaves: 2.275 %."""
FEW = 5
"""From so many values on, Welch-Satterthwaite keeps the promised risk."""


@dataclass(frozen=True)
class BudgetPart:
    """One part of a budget.

    Attributes
    ----------
    name : str
        What it comes from.
    u : float
        Standard uncertainty in the figure's unit, sensitivity already applied; NaN: not known.
    dof : float
        Degrees of freedom of ``u``.
    kind : {"A", "B"}
        A: from the scatter of values; B: from anything else (certificate, resolution, geometry).
    note : str
        Where the number comes from, for the screen.

    Raises
    ------
    ValueError
        Where ``u`` is negative: a sensitivity has lost its absolute value.
    """

    name: str
    u: float
    dof: float = inf
    kind: Literal["A", "B"] = "B"
    note: str = ""

    def __post_init__(self) -> None:
        if self.u < 0.0:
            raise ValueError(f"the standard uncertainty of '{self.name}' is negative: {self.u}")

    @property
    def known(self) -> bool:
        """Whether the part has a number: finite, with some degree of freedom."""
        return isfinite(self.u) and self.dof > 0.0

    def scaled(self, sensitivity: float) -> BudgetPart:
        """Return the part in the unit of a figure that changes by ``sensitivity`` for one unit of this one."""
        return replace(self, u=abs(sensitivity) * self.u)


@dataclass(frozen=True)
class Budget:
    """Independent parts of one figure's uncertainty. A budget with a part that is not known is not known."""

    parts: tuple[BudgetPart, ...]

    @property
    def known(self) -> bool:
        """Whether each part is known. A budget without any part states nothing, so it is not known."""
        return bool(self.parts) and all(part.known for part in self.parts)

    @property
    def standard_u(self) -> float:
        """Combined standard uncertainty: root sum of squares (GUM 5.1.2); NaN if any part is not known."""
        return hypot(*(part.u for part in self.parts)) if self.known else nan

    @property
    def dof(self) -> float:
        """Effective degrees of freedom u⁴ / Σ(uᵢ⁴/νᵢ) (GUM G.2b); infinite where all are, NaN where not known."""
        if not self.known:
            return nan
        inverse = sum(self.share(part) ** 2 / part.dof for part in self.parts)
        return 1.0 / inverse if inverse > 0.0 else inf

    @property
    def few(self) -> bool:
        """Whether fewer than five values are behind any scatter that counts."""
        return any(part.kind == "A" and part.u > 0.0 and part.dof < FEW - 1 for part in self.parts)

    def expanded(self, p: float = 0.95, *, few: bool) -> float:
        """Half-width of the two-sided interval of coverage ``p``.

        Parameters
        ----------
        p : float
        few : bool
            Fewer than five values are behind the scatter: each part is expanded with its own Student factor before
            the root sum of squares, since Welch-Satterthwaite leaves up to 6 % false passes there. Else
            Welch-Satterthwaite and Student's factor (GUM G.4.1, G.3).
        """
        return self.guard(0.5 * (1.0 - p), few=few)

    def guard(self, risk: float = RISK, *, few: bool) -> float:
        """One-sided width U: the true value lies beyond value + U with a probability of at most ``risk``.

        By Welch-Satterthwaite a known part beside the scatter of few values may *narrow* the guard a little: the
        factor falls faster than the sum grows (at n = 5 by up to 3 %).
        """
        if not self.known:
            return nan
        if few:
            factors = student_guard(risk, [part.dof for part in self.parts])
            return hypot(*(float(t) * part.u for t, part in zip(factors, self.parts, strict=True)))
        return float(student_guard(risk, self.dof)) * self.standard_u

    def share(self, part: BudgetPart) -> float:
        """Share of the variance that a part makes, 0 to 1; 0 where nothing is uncertain, NaN where not known."""
        total = self.standard_u
        return (part.u / total) ** 2 if total > 0.0 else total

    def with_parts(self, *parts: BudgetPart) -> Budget:
        """Return the budget with parts added."""
        return Budget((*self.parts, *parts))

    def scaled(self, sensitivity: float) -> Budget:
        """Return the budget of a figure that changes by ``sensitivity`` for one unit of this one."""
        return Budget(tuple(part.scaled(sensitivity) for part in self.parts))


def rectangular(name: str, half_width: float, *, dof: float = inf, note: str = "") -> BudgetPart:
    """Return the part of an error that lies anywhere within ± half_width: half_width/√3 (GUM 4.3.7)."""
    return BudgetPart(name, half_width / sqrt(3.0), dof, "B", note)


def triangular(name: str, half_width: float, *, dof: float = inf, note: str = "") -> BudgetPart:
    """Return the part of an error within ± half_width, most likely small: half_width/√6 (GUM 4.3.9)."""
    return BudgetPart(name, half_width / sqrt(6.0), dof, "B", note)


def from_expanded(name: str, expanded: float, k: float = 2.0, *, dof: float = inf, note: str = "") -> BudgetPart:
    """Return the part of a certificate that states an expanded uncertainty and its k (GUM 4.3.3)."""
    return BudgetPart(name, expanded / k, dof, "B", note)


# Standard deviation of the median of n normal values over that of their mean, n = 1 ... 10: integrals of the order
# statistics' densities, repeated in the tests. Even and odd n take turns, so nothing is interpolated.
_MEDIAN = (1.0, 1.0, 1.1602, 1.0922, 1.1976, 1.1351, 1.2137, 1.1599, 1.2227, 1.1761)


def median_factor(n: int) -> float:
    """Standard error of a median of n normal values over that of their mean; √(π/2), its limit, above ten."""
    return _MEDIAN[n - 1] if 1 <= n <= len(_MEDIAN) else sqrt(0.5 * pi)


def few_values(
    values: ArrayLike,
    statistic: Literal["mean", "median"],
    *,
    name: str = "scatter",
    own_u: float = nan,
    own_dof: float = inf,
) -> BudgetPart:
    """Return the part that the scatter of two to ten values gives to their mean or median.

    s/√n with n − 1 degrees of freedom; for the median times :func:`median_factor`. The values' own uncertainties do
    not enter: weighting by them, or taking the larger of both, leaves up to 48 % false passes. What all values share
    (certificate, zero, resolution) is a part of its own.

    Parameters
    ----------
    values : array_like, shape (n,), float64
        Values that are not finite are left out.
    statistic : {"mean", "median"}
    own_u, own_dof : float
        Of one value alone, its own standard uncertainty and degrees of freedom. Without, it is not known.
    """
    v = np.asarray(values, np.float64).ravel()
    v = v[np.isfinite(v)]
    if v.size == 0:
        return BudgetPart(name, nan, nan, "A", "no value")
    if v.size == 1:
        note = "one value: its own uncertainty" if isfinite(own_u) else "one value without an uncertainty of its own"
        return BudgetPart(name, own_u, own_dof, "A", note)
    factor = median_factor(v.size) if statistic == "median" else 1.0
    return BudgetPart(name, factor * float(np.std(v, ddof=1)) / sqrt(v.size), v.size - 1.0, "A", f"{v.size} values")
