"""Guards of the largest and smallest of n noisy readings: n readings are not one.

M is the largest *true* value of n, the readings are x = true + e with standard uncertainty u. All widths are given
around the observed extreme, so that a verdict is still value ± U, with one width a side.

* Above: M ≤ max x + t(1 − risk) u, whatever n, the scatter and the correlation. Let j hold the largest true value;
  max x ≥ x_j = M + e_j, so a miss needs e_j < −t u. No correction for n.
* Below: M ≥ max x − t(1 − risk/n) u (Bonferroni): the largest reading is the one whose noise went furthest up.

With an allowed number a of exceptions the same holds for the reading in place a + 1 (`exception_guards`).
Where the noise has heavy tails the width below is too small (Student t₅: 28 % misses of 100 readings instead
of 2.3): take `largest_lower_by_centre`.

What all readings share (certificate, zero) is given as ``shared``, its own guard at the same risk. Above, it joins
by a root sum of squares. Below, that would miss 4.5 % of 5 equal values, since the largest of n errors is no error
about zero: the width is solved for both together (`benchpipe.kernels.risk.many_guard`).
"""

from __future__ import annotations

from math import inf, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.check.budget import RISK
from benchpipe.kernels.risk import many_guard, student_guard

Floats = NDArray[np.float64]


def largest_upper(
    values: ArrayLike, u: ArrayLike, dof: ArrayLike = inf, risk: float = RISK, *, shared: float = 0.0
) -> float:
    """How far above the largest reading the largest true value may lie.

    Parameters
    ----------
    values : array_like, shape (n,), float64
        Readings. One that is not finite may be the largest: the width is NaN.
    u, dof : array_like, shape () or (n,)
        Standard uncertainty of one reading without what is shared, and its degrees of freedom. Where u is not known
        apart from the scatter, the total scatter in its place keeps the bound, only wider.
    risk : float
        Largest probability of a miss.
    shared : float
        Guard at this risk of what all readings have in common (:meth:`benchpipe.check.budget.Budget.guard`).

    Returns
    -------
    float
        Width, 0 or more, in the unit of the values; NaN where anything is not known.
    """
    v, width = _widths(values, u, dof, risk)
    if v.size == 0 or not np.all(np.isfinite(v) & np.isfinite(width)) or not 0.0 <= shared < inf:
        return nan
    width = np.hypot(width, shared)
    return float(np.max(v + width) - np.max(v))


def largest_lower(
    values: ArrayLike, u: ArrayLike, dof: ArrayLike = inf, risk: float = RISK, *, shared: float = 0.0
) -> float:
    """How far below the largest reading the largest true value may lie; for normal noise only.

    Parameters are those of `largest_upper`. Readings that are not finite are left out: another reading only makes
    the largest larger. With ``shared``, the largest u and the least dof stand for all readings.
    """
    v = np.asarray(values, np.float64).ravel()
    there = np.isfinite(v)
    n = int(there.sum())
    if n == 0:
        return nan
    u, dof = (np.broadcast_to(np.asarray(x, np.float64), v.shape)[there] for x in (u, dof))
    if shared != 0.0:
        return many_guard(n, float(np.max(u)), float(np.min(dof)), shared / float(student_guard(risk, inf)), risk)
    v, width = _widths(v[there], u, dof, risk / n)
    if not np.all(np.isfinite(width)):
        return nan
    return float(np.max(v) - np.max(v - width))


def largest_lower_by_centre(values: ArrayLike, centre: float, centre_guard: float) -> float:
    """How far below the largest reading the largest true value may lie, whatever the tails of the noise.

    The largest of the window is at least its median or mean, so at least that less its guard. Decide for this way
    from what is known of the noise, not by taking the narrower of both.

    Parameters
    ----------
    values : array_like, shape (n,), float64
    centre, centre_guard : float
        Median or mean of the window, and its one-sided guard (:meth:`benchpipe.check.budget.Budget.guard`).
    """
    v = np.asarray(values, np.float64).ravel()
    v = v[np.isfinite(v)]
    if v.size == 0 or not np.isfinite(centre + centre_guard):
        return nan
    return max(float(np.max(v)) - (centre - centre_guard), 0.0)


def smallest_lower(
    values: ArrayLike, u: ArrayLike, dof: ArrayLike = inf, risk: float = RISK, *, shared: float = 0.0
) -> float:
    """How far below the smallest reading the smallest true value may lie (`largest_upper` mirrored)."""
    return largest_upper(-np.asarray(values, np.float64), u, dof, risk, shared=shared)


def smallest_upper(
    values: ArrayLike, u: ArrayLike, dof: ArrayLike = inf, risk: float = RISK, *, shared: float = 0.0
) -> float:
    """How far above the smallest reading the smallest true value may lie (`largest_lower` mirrored)."""
    return largest_lower(-np.asarray(values, np.float64), u, dof, risk, shared=shared)


def exception_guards(
    n: int, allowed: int, u: float, dof: float = inf, risk: float = RISK, *, shared: float = 0.0
) -> tuple[float, float]:
    """Guards of one reading where at most ``allowed`` of n true values may break a limit.

    A run that must not pass has allowed + 1 values beyond the limit; it passes only if one of them is read inside by
    the first width: t(1 − risk/(allowed + 1)). A run that must not fail has n values inside; it fails only if
    allowed + 1 of them are read outside by the second width, which at a share p happens with at most
    n p/(allowed + 1) (Markov): t(1 − risk (allowed + 1)/n). Neither asks for independent readings.

    Returns
    -------
    tuple of float
        Width towards the limit for a pass, and beyond it for a fail. With allowed = 0 those of the extreme.
    """
    if n < 1 or allowed < 0:
        return nan, nan
    shared_u = shared / float(student_guard(risk, inf))
    inner, outer = (many_guard(many, u, dof, shared_u, risk) for many in (allowed + 1.0, n / (allowed + 1.0)))
    if allowed == 0:  # one reading and what is shared, each expanded first
        inner = float(np.hypot(many_guard(1.0, u, dof, 0.0, risk), shared))
    return inner, outer


def _widths(values: ArrayLike, u: ArrayLike, dof: ArrayLike, risk: float) -> tuple[Floats, Floats]:
    """Values and the width of each; a negative uncertainty is not known."""
    v = np.asarray(values, np.float64).ravel()
    single = np.where(np.asarray(u, np.float64) >= 0.0, u, nan)
    return v, np.broadcast_to(student_guard(risk, dof) * single, v.shape)
