"""Differences between two groups of specimens: Welch, pairs, equivalence, and exact tests of few.

Each value is that of one specimen: cycles and loops are averaged before. An error that specimens share (a rig's
certificate) is no part of their scatter; it is given as ``shared_u`` and widens the interval.

References
----------
B. L. Welch, Biometrika 34 (1947) 28: unequal variances. D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657:
two one-sided tests. Both written from memory. In the tests the two one-sided tests give the numbers of the R package
equivalence, as the tests of statsmodels (test_tost.py) have them; the others are verified against worked sets.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from math import comb, exp, hypot, inf, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.risk import student_guard

Floats = NDArray[np.float64]
LEAST_RISK = 1e-15  # a p with a shared error is not told apart below it: the inverse of Student's t fails farther out
MOST_IMBALANCE = 2.0
"""Ratio of group sizes above which Welch's test may exceed its size (``tests/benchmarks/compare_study.py``)."""
LEAST_GROUP = 3
FEW_IN_GROUP = 4  # so few against more have the degrees of freedom of their own scatter alone
MOST_LABELLINGS = 20_000
TIE = 1e-9  # of the largest statistic: labellings that differ by rounding are one


@dataclass(frozen=True)
class Difference:
    """A difference of two means, with what is known of its error.

    Attributes
    ----------
    value : float
        In the unit of the values; NaN where ``converged`` is false.
    scatter_u, dof : float
        Standard error from the scatter of the specimens, and its degrees of freedom.
    shared_u : float
        Standard uncertainty of errors that the specimens share and that do not cancel.
    n_used : int
        Specimens (of pairs: pairs).
    converged : bool
    """

    value: float
    scatter_u: float
    dof: float
    n_used: int
    shared_u: float = 0.0
    converged: bool = True

    def half_width(self, risk: float) -> float:
        """Width that the error exceeds on one side with at most ``risk``: each part by its own factor, then RSS."""
        t, z = float(student_guard(risk, self.dof)), float(student_guard(risk, inf))
        return hypot(t * self.scatter_u, z * self.shared_u)

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Two-sided interval."""
        half = self.half_width(0.5 * (1.0 - coverage))
        return self.value - half, self.value + half

    def risk_beyond(self, bound: float) -> float:
        """One-sided p of the hypothesis that the true difference is at ``bound`` or beyond, seen from the value."""
        return self._one_sided(abs(self.value - bound)) if self.converged else nan

    def _one_sided(self, distance: float) -> float:
        if self.scatter_u == 0.0 and self.shared_u == 0.0:
            return 0.5 if distance == 0.0 else 0.0
        if self.shared_u == 0.0:
            from scipy.special import stdtr

            return float(stdtr(self.dof, -distance / self.scatter_u))
        if distance <= 0.0:
            return 0.5
        from scipy.optimize import brentq

        def short(log_risk: float) -> float:
            return self.half_width(exp(log_risk)) - distance

        low = log(LEAST_RISK)
        if short(low) <= 0.0:
            return LEAST_RISK
        return exp(float(brentq(short, low, log(0.5), xtol=1e-12)))

    @property
    def t(self) -> float:
        """Student's t of the scatter alone."""
        return self.value / self.scatter_u if self.scatter_u > 0.0 else nan

    @property
    def p(self) -> float:
        """Two-sided p of no difference, with the shared part."""
        return min(2.0 * self.risk_beyond(0.0), 1.0)  # NaN stays NaN in this order

    def equivalence_p(self, low: float, high: float) -> float:
        """The larger p of two one-sided tests: that the true difference lies outside ``low`` to ``high``."""
        if not self.converged:
            return nan
        below, above = self._one_sided(abs(self.value - low)), self._one_sided(abs(high - self.value))
        return max(below if self.value >= low else 1.0 - below, above if self.value <= high else 1.0 - above)


NO_DIFFERENCE = Difference(nan, nan, nan, 0, converged=False)


def welch(values: ArrayLike, reference: ArrayLike, shared_u: float = 0.0) -> Difference:
    """Mean of ``values`` less mean of ``reference``, variances not taken as equal.

    Parameters
    ----------
    values, reference : array_like, shape (n,) and (m,), float64
        One value a specimen; those that are not finite are left out.
    shared_u : float
        As for :func:`pooled`.

    Returns
    -------
    Difference
        ``converged`` is false with fewer than two in a group.

    Notes
    -----
    With three or four in one group and more in the other, Welch's degrees of freedom give up to 6.7 and 5.9 % at 5 %
    where the few scatter most (200,000 draws): there the smaller group's own, n - 1, take their place, which is safe.
    """
    a, b = _good(values), _good(reference)
    if min(a.size, b.size) < 2:
        return NO_DIFFERENCE
    u_a, u_b = a.var(ddof=1) / a.size, b.var(ddof=1) / b.size
    squares = u_a**2 / (a.size - 1) + u_b**2 / (b.size - 1)
    dof = float((u_a + u_b) ** 2 / squares) if squares > 0.0 else float(a.size + b.size - 2)
    if min(a.size, b.size) <= FEW_IN_GROUP and a.size != b.size:
        dof = min(a.size, b.size) - 1.0
    return Difference(float(a.mean() - b.mean()), sqrt(u_a + u_b), dof, a.size + b.size, shared_u)


def pooled(values: ArrayLike, reference: ArrayLike, shared_u: float = 0.0) -> Difference:
    """Mean of ``values`` less mean of ``reference``, with one variance for both groups (Student).

    Parameters
    ----------
    values, reference : array_like, shape (n,) and (m,), float64
        One value a specimen; those that are not finite are left out.
    shared_u : float
        Standard uncertainty of errors that all specimens share and that do not cancel, in the unit of the values.

    Returns
    -------
    Difference
        ``converged`` is false, and the figures NaN, with an empty group or fewer than three values in all.
    """
    a, b = _good(values), _good(reference)
    dof = a.size + b.size - 2
    if min(a.size, b.size) < 1 or dof < 1:
        return NO_DIFFERENCE
    squares = float(((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum())
    return Difference(
        float(a.mean() - b.mean()), sqrt(squares / dof * (1 / a.size + 1 / b.size)), dof, dof + 2, shared_u
    )


def paired(values: ArrayLike, reference: ArrayLike, shared_u: float = 0.0) -> Difference:
    """Mean of differences of pairs: the same specimen under both.

    Parameters
    ----------
    values, reference : array_like, shape (n,), float64
        In the same order of specimens; pairs with a value that is not finite are left out.
    shared_u : float
        As for :func:`pooled`.

    Returns
    -------
    Difference
        ``converged`` is false, and the figures NaN, with fewer than two pairs.

    Raises
    ------
    ValueError
        The two do not have the same number of values.
    """
    a, b = np.asarray(values, np.float64).ravel(), np.asarray(reference, np.float64).ravel()
    if a.size != b.size:
        raise ValueError(f"pairs need as many values on both sides: {a.size} and {b.size}")
    d = _good(a - b)
    if d.size < 2:
        return NO_DIFFERENCE
    return Difference(float(d.mean()), float(d.std(ddof=1)) / sqrt(d.size), d.size - 1.0, d.size, shared_u)


def welch_refuses(n: int, m: int) -> str:
    """Why Welch's test is not made of groups of ``n`` and ``m``; empty where it is.

    Parameters
    ----------
    n, m : int
        Specimens of the two groups.

    Returns
    -------
    str
        In words for a report.
    """
    if min(n, m) < LEAST_GROUP:
        return f"{min(n, m)} specimens in a group: Welch's test needs {LEAST_GROUP}"
    if max(n, m) > MOST_IMBALANCE * min(n, m):
        return f"groups of {n} and {m}: Welch's test needs sizes within {MOST_IMBALANCE:g} to 1"
    return ""


@dataclass(frozen=True)
class ExactResult:
    """A permutation test: two-sided ``p``, and the smallest that so few specimens can give (``least_p``)."""

    p: float
    least_p: float
    labellings: int
    converged: bool


def exact_unpaired(values: ArrayLike, reference: ArrayLike) -> ExactResult:
    """All ways to label the specimens, by the size of the difference of means.

    ``converged`` is false (and ``p`` NaN) with more than 20,000 ways: of so many Student's test is as good.

    Parameters
    ----------
    values, reference : array_like, shape (n,) and (m,), float64
        One value a specimen; those that are not finite are left out.

    Returns
    -------
    ExactResult
        ``p`` is two-sided, without unit; ``least_p`` is given also where ``p`` is NaN.
    """
    a, b = _good(values), _good(reference)
    count = comb(a.size + b.size, a.size)
    least = (2.0 if a.size == b.size else 1.0) / count
    if count > MOST_LABELLINGS or min(a.size, b.size) < 1:
        return ExactResult(nan, least, count, False)
    both = np.concatenate([a, b])
    both = both - both.mean()
    chosen = np.array(list(combinations(range(both.size), a.size)))
    size = np.abs(both[chosen].sum(axis=1))
    return ExactResult(_share(size, abs(float(both[: a.size].sum()))), least, count, True)


def exact_paired(differences: ArrayLike) -> ExactResult:
    """All signs of the differences, by the size of their mean.

    Parameters
    ----------
    differences : array_like, shape (n,), float64
        One a pair; those that are not finite are left out.

    Returns
    -------
    ExactResult
        ``p`` is two-sided; NaN, and ``converged`` false, without a pair or with more than 20,000 ways to set the signs.
    """
    d = _good(differences)
    count = 2**d.size
    if count > MOST_LABELLINGS or d.size < 1:
        return ExactResult(nan, 2.0 / count, count, False)
    signs = np.array(list(product((1.0, -1.0), repeat=d.size)))
    return ExactResult(_share(np.abs(signs @ d), abs(float(d.sum()))), 2.0 / count, count, True)


def _share(size: Floats, seen: float) -> float:
    return float(np.mean(size >= seen - TIE * float(size.max(initial=0.0))))


def _good(values: ArrayLike) -> Floats:
    v = np.asarray(values, np.float64).ravel()
    return v[np.isfinite(v)]


def finite(difference: Difference) -> bool:
    """Whether a difference can be shown with an interval.

    Parameters
    ----------
    difference : Difference

    Returns
    -------
    bool
        False where its value or its standard error from scatter is NaN or infinite.
    """
    return difference.converged and isfinite(difference.value) and isfinite(difference.scatter_u)
