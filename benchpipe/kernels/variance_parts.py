"""Scatter between specimens apart from scatter within them, agreement, and gauge studies.

References
----------
R. R. Corbeil and S. R. Searle, Technometrics 18 (1976) 31: REML. J. S. Williams, Biometrika 49 (1962) 278: interval
of the part between. P. E. Shrout and J. L. Fleiss, Psychol. Bull. 86 (1979) 420: intraclass correlations. All from
memory; numbers verified in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.anova import one_way

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RandomEffect:
    """Specimens as a random effect.

    Attributes
    ----------
    mean, mean_u : float
    between, within : float
        Variances; ``between`` is 0 where its estimate is negative.
    raw_between : float
        The estimate of the analysis of variance, which may be negative.
    between_interval : tuple of float
        95 % interval of the variance between (Williams), from 0 on where it reaches below.
    between_ml : float
        Maximum likelihood, not restricted.
    n_used : int
        Specimens.
    converged : bool
    """

    mean: float
    mean_u: float
    between: float
    within: float
    raw_between: float
    between_interval: tuple[float, float]
    between_ml: float
    n_used: int
    converged: bool


def random_effect(specimens: Sequence[ArrayLike], coverage: float = 0.95) -> RandomEffect:
    """Restricted maximum likelihood of value = mean + specimen + repeat.

    Parameters
    ----------
    specimens : sequence of array_like, shapes (n_i,), float64
        Repeats of each specimen; at least two specimens, one of them with two repeats.
    coverage : float
        Of the interval of the variance between, between 0 and 1.

    Returns
    -------
    RandomEffect
        Means in the unit of the values, variances in that unit squared.

    Raises
    ------
    ValueError
        Fewer: then the parts cannot be separated.
    """
    from scipy.optimize import minimize_scalar

    found = one_way(specimens)
    n = np.array(found.sizes, np.float64)
    a, total = n.size, float(n.sum())
    if a < 2 or found.within.dof < 1:
        raise ValueError("two specimens and repeats of one are the least: else the parts cannot be separated")
    zero = found.means[0]
    means = np.array([m - zero for m in found.means])
    squares = found.within.squares

    def parts(theta: float, dof: float) -> tuple[float, float, Floats]:
        w = n / (1.0 + theta * n)
        mu = float(w @ means / w.sum())
        return mu, (squares + float(w @ (means - mu) ** 2)) / dof, w

    def deviance(theta: float, restricted: bool) -> float:
        dof = total - 1.0 if restricted else total
        _, sigma2, w = parts(theta, dof)
        value = dof * log(max(sigma2, 1e-300)) + float(np.log1p(theta * n).sum())
        return value + log(w.sum()) if restricted else value

    def best(restricted: bool) -> float:
        most = 10.0 + 100.0 * found.between.mean_square / max(found.within.mean_square, 1e-300)
        at = minimize_scalar(
            lambda r: deviance(r**2, restricted), bounds=(0.0, sqrt(most)), method="bounded", options={"xatol": 1e-10}
        )
        theta = float(at.x) ** 2
        return theta if deviance(theta, restricted) < deviance(0.0, restricted) else 0.0

    theta, ml = best(True), best(False)
    m = float(n[0])
    balanced = bool((n == m).all())
    msb, msw = found.between.mean_square, found.within.mean_square
    if balanced:  # the closed form has all digits
        theta = max((msb - msw) / (m * msw), 0.0) if msw > 0.0 else inf
        spread = a * m
        in_ml = (found.between.squares / a - msw) / m
        ml_between = max(in_ml, 0.0)
    else:
        spread = total
        _, sigma_ml, _ = parts(ml, total)
        ml_between = ml * sigma_ml
    usual = (total - float((n**2).sum()) / total) / (a - 1)
    raw = (msb - msw) / usual
    if balanced and theta > 0.0:
        within, between = msw, raw
        mean, mean_u = float(means.mean()), sqrt(msb / spread)
    else:
        mean, within, w = parts(theta, total - 1.0)
        between, mean_u = theta * within, sqrt(within / float(w.sum()))
    return RandomEffect(
        zero + mean, mean_u, between, within, raw,
        _williams(n, means, found.within.mean_square, found.within.dof, coverage), ml_between, a, True,
    )  # fmt: skip


def _williams(n: Floats, means: Floats, msw: float, dof: int, coverage: float) -> tuple[float, float]:
    """Interval of the variance between; unbalanced by the harmonic mean of the sizes (Thomas and Hultquist 1978)."""
    from scipy.special import chdtri, fdtri

    a, m = n.size, float(n.size / (1.0 / n).sum())
    squares = m * float(((means - means.mean()) ** 2).sum())
    f0 = squares / (a - 1) / msw if msw > 0.0 else inf
    tail = 0.5 * (1.0 - coverage)
    ends = []
    for p in (1.0 - tail, tail):
        quantile = float(fdtri(a - 1, dof, p))
        chi2 = float(chdtri(a - 1, 1.0 - p))
        ends.append(max(squares * (1.0 - quantile / f0) / (m * chi2), 0.0) if f0 > 0.0 else 0.0)
    return ends[0], ends[1]


@dataclass(frozen=True)
class Agreement:
    """Intraclass correlations of n targets by k raters: (1,1) (2,1) (3,1) and of the mean of k."""

    one_1: float
    two_1: float
    three_1: float
    one_k: float
    two_k: float
    three_k: float


def intraclass(ratings: ArrayLike) -> Agreement:
    """Intraclass correlations (Shrout and Fleiss 1979) of a complete table, shape (targets, raters).

    Parameters
    ----------
    ratings : array_like, shape (targets, raters), float64
        Two of each at least, all finite.

    Returns
    -------
    Agreement
        Without unit, at most 1; NaN or infinite where nothing varies.
    """
    x = np.asarray(ratings, np.float64)
    n, k = x.shape
    x = x - x[0, 0]
    rows, columns = x.mean(axis=1), x.mean(axis=0)
    between = k * float(((rows - x.mean()) ** 2).sum()) / (n - 1)
    judges = n * float(((columns - x.mean()) ** 2).sum()) / (k - 1)
    within = float(((x - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    error = float(((x - rows[:, None] - columns + x.mean()) ** 2).sum()) / ((n - 1) * (k - 1))
    return Agreement(
        (between - within) / (between + (k - 1) * within),
        (between - error) / (between + (k - 1) * error + k * (judges - error) / n),
        (between - error) / (between + (k - 1) * error),
        (between - within) / between,
        (between - error) / (between + (judges - error) / n),
        (between - error) / between,
    )
