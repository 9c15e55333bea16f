"""Student's quantiles, and the probabilities that a decision on a measured value is wrong.

All probabilities are plain numbers from 0 to 1; values, limits and uncertainties share one unit.

References
----------
JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*: 7.3 and 7.4 (conformance
probability), 9.5 (consumer's and producer's risk). Clause numbers written from memory; the worked answers of 7.3.1 (a
Zener diode) and 9.5.4 (ball bearings), from memory too, are recomputed in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erfc, inf, isfinite, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Density = Callable[[Floats], Floats]

TAIL = 1e-13
"""Probability of a prior that is left out at each end where its support is infinite."""
SHARED_VALUES = 1_000
"""Equally likely values that stand for a normal error: 23 of them in its tail of 2.3 %."""
NODES = 64
"""Gauss-Legendre points in each panel of a quadrature."""


def student_guard(risk: ArrayLike, dof: ArrayLike) -> Floats:
    """One-sided Student factor t(1 − risk, dof).

    Parameters
    ----------
    risk : array_like, any shape, float64
        Probability beyond the factor, above 0 and at most 0.5.
    dof : array_like, any shape that fits, float64
        Degrees of freedom; infinite gives the normal factor.

    Returns
    -------
    float64 array, shape of both broadcast
        NaN where the risk or the degrees of freedom are out of range.
    """
    from scipy.special import stdtrit

    p, nu = np.asarray(risk, np.float64), np.asarray(dof, np.float64)
    good = (p > 0.0) & (p <= 0.5) & (nu > 0.0)
    # From the lower tail: 1 - risk has lost its digits where the risk is one in a million.
    return np.where(good, -stdtrit(np.where(good, nu, 1.0), np.where(good, p, 0.5)), nan)


def many_guard(many: float, u: float, dof: float, shared_u: float, risk: float) -> float:
    """Width that one of many readings exceeds with at most ``risk``, where all share one more error.

    The widths of both do not join by a root sum of squares: the largest of n errors is no error about zero. With the
    shared error c normal, P ≤ E[min(1, many · T((c − width)/u))] (Bonferroni given c), solved for the width.

    Parameters
    ----------
    many : float
        Number of readings; a ratio of numbers where several must exceed the width (Markov).
    u, dof : float
        Standard uncertainty of one reading without what is shared, and its degrees of freedom.
    shared_u : float
        Standard uncertainty of the error that all have in common.
    risk : float
        Between 0 and 0.5.

    Returns
    -------
    float
        NaN where a number is out of range. Without a shared error t(1 − risk/many) u.
    """
    from scipy.special import ndtri, stdtr

    alone = float(student_guard(min(risk / many, risk) if many > 0.0 else nan, dof)) * u
    if not (shared_u > 0.0 and isfinite(alone) and isfinite(shared_u)) or u < 0.0:
        return alone if shared_u == 0.0 and u >= 0.0 else nan
    only_shared = float(student_guard(risk, inf)) * shared_u
    if u == 0.0:
        return only_shared
    c = shared_u * ndtri((np.arange(SHARED_VALUES) + 0.5) / SHARED_VALUES)
    low, high = max(alone, only_shared), alone + float(c[-1])
    for _ in range(40):
        width = 0.5 * (low + high)
        with np.errstate(over="ignore"):  # a tiny u: surely missed or surely not
            missed = np.minimum(max(many, 1.0) * stdtr(dof, (c - width) / u), 1.0).mean()
        low, high = (width, high) if missed > risk else (low, width)
    return high


def normal_risk(factor: float) -> float:
    """Probability 1 − Φ(factor): the risk that a guard band of so many standard uncertainties leaves.

    Parameters
    ----------
    factor : float
        Guard band over standard uncertainty.

    Returns
    -------
    float
        From 0 to 1; NaN gives NaN.

    Notes
    -----
    Plain arithmetic: the normal distribution's tail.
    """
    return 0.5 * erfc(factor / sqrt(2.0))


def conformance(value: float, u: float, low: float = -inf, high: float = inf, dof: float = inf) -> float:
    """Probability that the true value lies between two limits (JCGM 106, 7.3 and 7.4).

    The true value is taken as value + u·t with Student's t of ``dof`` degrees of freedom (normal where infinite),
    without any prior knowledge of the item.

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty.
    low, high : float
        Limits; an infinite one does not count.
    dof : float
        Degrees of freedom of ``u``, > 0; infinite: normal.

    Returns
    -------
    float
        NaN where value or uncertainty is not known. With u = 0 it is 1 or 0.
    """
    from scipy.special import stdtr

    if not (isfinite(value) and isfinite(u) and u >= 0.0 and dof > 0.0) or np.isnan(low) or np.isnan(high):
        return nan
    if u == 0.0:
        return 1.0 if low <= value <= high else 0.0
    below = float(stdtr(dof, (low - value) / u)) if isfinite(low) else 0.0
    above = float(stdtr(dof, (value - high) / u)) if isfinite(high) else 0.0
    return max(1.0 - below - above, 0.0)


@dataclass(frozen=True)
class RiskResult:
    """Risks of a decision rule over a population of items (JCGM 106, 9.5).

    ``consumer`` is the probability that an item drawn from the population is nonconforming *and* accepted,
    ``producer`` that it is conforming and rejected, ``nonconforming`` that it is nonconforming at all.
    """

    consumer: float
    producer: float
    nonconforming: float


def global_risks(
    prior: Density,
    support: tuple[float, float],
    u: float,
    tolerance: tuple[float, float],
    acceptance: tuple[float, float],
) -> RiskResult:
    """Consumer's and producer's risk for a prior of the items and a normal measurement (JCGM 106, 9.5).

    Parameters
    ----------
    prior : callable
        Probability density of the items' true values, array → array, in 1/unit.
    support : tuple of float
        Finite interval that holds the prior.
    u : float
        Standard uncertainty of the measurement.
    tolerance, acceptance : tuple of float
        Interval of conforming true values, and of measured values that are accepted; ends may be infinite.

    Returns
    -------
    RiskResult
        By Gauss-Legendre quadrature over pieces that end at the limits and are no longer than 2 u.
    """
    from scipy.special import ndtr

    def accepted(y: Floats) -> Floats:
        return np.asarray(ndtr((acceptance[1] - y) / u) - ndtr((acceptance[0] - y) / u), np.float64)

    def total(a: float, b: float) -> tuple[float, float]:
        """Probability of an item between a and b, and of one that is accepted besides."""
        a, b = max(a, support[0]), min(b, support[1])
        if not b > a:
            return 0.0, 0.0
        edges = np.linspace(a, b, min(max(16, int((b - a) / (2.0 * u)) + 1), 4_000) + 1)
        node, weight = np.polynomial.legendre.leggauss(NODES)
        half = 0.5 * np.diff(edges)
        y = (0.5 * (edges[:-1] + edges[1:]))[:, None] + half[:, None] * node
        mass = half[:, None] * weight * prior(y)
        return float(mass.sum()), float((mass * accepted(y)).sum())

    low, inside, high = total(-inf, tolerance[0]), total(*tolerance), total(tolerance[1], inf)
    return RiskResult(
        consumer=low[1] + high[1],
        producer=inside[0] - inside[1],
        nonconforming=low[0] + high[0],
    )


def normal_prior(mean: float, sd: float) -> tuple[Density, tuple[float, float]]:
    """Return the density and support of items that are normally distributed, for `global_risks`.

    Parameters
    ----------
    mean, sd : float
        Of the items, in their unit; ``sd`` is above zero.

    Returns
    -------
    density : callable
        Takes values, shape (n,); gives their density in one over the unit, shape (n,).
    support : tuple of float
        All but `TAIL` at each end.
    """
    from scipy.special import ndtri

    reach = -float(ndtri(TAIL)) * sd

    def density(y: Floats) -> Floats:
        return np.asarray(np.exp(-0.5 * ((y - mean) / sd) ** 2) / (sd * sqrt(2.0 * np.pi)), np.float64)

    return density, (mean - reach, mean + reach)
