"""Lives of two groups of specimens, run-outs among them: log-rank, and Weibull lives of one shape.

References
----------
N. Mantel, Cancer Chemother. Rep. 50 (1966) 163: log-rank. J. F. Lawless, *Statistical Models and Methods for Lifetime
Data*: regression of Weibull lives. From memory; numbers verified against a worked set in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.reliability import weibull_fit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
MOST_LABELLINGS = 50_000
DRAWS = 20_000
TIE = 1e-9


@dataclass(frozen=True)
class LogRankResult:
    """A log-rank test of two groups.

    Attributes
    ----------
    chi2, chi2_p : float
        The usual approximation, for comparison: with few failures it is not to be used.
    p : float
        Two-sided, from all labellings of the specimens, or from 20,000 drawn ones where ``exact`` is false.
    least_p : float
        Smallest p that these times can give under any labelling.
    n_failed, n_used : int
    exact, converged : bool
    """

    chi2: float
    chi2_p: float
    p: float
    least_p: float
    n_failed: int
    n_used: int
    exact: bool
    converged: bool


def log_rank(
    time: ArrayLike, failed: ArrayLike, reference_time: ArrayLike, reference_failed: ArrayLike, seed: int = 1
) -> LogRankResult:
    """Compare two groups of lives, censored on the right, by permutation of the log-rank scores.

    Parameters
    ----------
    time, reference_time : array_like, shape (n,) and (m,), float64
        Time or cycles to failure or to the end without one.
    failed, reference_failed : array_like of bool, shape (n,) and (m,)
        False: ended without a failure (censored).
    seed : int
        Of the drawn labellings.

    Returns
    -------
    LogRankResult
        ``converged`` is false, and the figures NaN, without a failure or with an empty group.

    Notes
    -----
    The permutation is exact where the specimens of both groups were stopped for the same reasons.
    """
    t = np.concatenate([np.asarray(time, np.float64), np.asarray(reference_time, np.float64)])
    d = np.concatenate([np.asarray(failed, bool), np.asarray(reference_failed, bool)])
    n, total = np.asarray(time).size, t.size
    deaths = int(d.sum())
    if deaths == 0 or n in (0, total):
        return LogRankResult(nan, nan, nan, nan, deaths, total, False, False)
    scores, at_times = _scores(t, d)
    in_first = np.arange(total) < n
    statistic = float(scores[in_first].sum())
    variance = _variance(at_times, t, d, in_first)
    chi2 = statistic**2 / variance if variance > 0.0 else nan
    from scipy.special import chdtrc

    exact = comb(total, n) <= MOST_LABELLINGS
    if exact:
        sizes = np.abs(scores[np.array(list(combinations(range(total), n)))].sum(axis=1))
    else:
        rng = np.random.default_rng(seed)
        order = rng.permuted(np.tile(scores, (DRAWS, 1)), axis=1)
        sizes = np.append(np.abs(order[:, :n].sum(axis=1)), abs(statistic))  # the seen one among them
    slack = TIE * float(sizes.max(initial=0.0))
    p = float(np.mean(sizes >= abs(statistic) - slack))
    least = float(np.mean(sizes >= float(sizes.max()) - slack))
    return LogRankResult(chi2, float(chdtrc(1, chi2)) if isfinite(chi2) else nan, p, least, deaths, total, exact, True)


def _scores(t: Floats, d: Bools) -> tuple[Floats, Floats]:
    """Log-rank scores failed - Σ deaths/at risk up to the time: their sum over a group is observed less expected."""
    times = np.unique(t[d])
    died = np.array([(d & (t == s)).sum() for s in times], np.float64)
    at_risk = np.array([(t >= s).sum() for s in times], np.float64)
    hazard = np.concatenate([[0.0], np.cumsum(died / at_risk)])
    return d.astype(float) - hazard[np.searchsorted(times, t, "right")], times


def _variance(times: Floats, t: Floats, d: Bools, first: Bools) -> float:
    """Hypergeometric variance."""
    total = 0.0
    for s in times:
        n, k = float((t >= s).sum()), float((d & (t == s)).sum())
        n1 = float(((t >= s) & first).sum())
        if n > 1.0:
            total += k * (n1 / n) * (1.0 - n1 / n) * (n - k) / (n - 1.0)
    return total


@dataclass(frozen=True)
class TwoWeibulls:
    """Two groups of Weibull lives with one shape.

    Attributes
    ----------
    log_ratio, log_ratio_u : float
        Logarithm of the ratio of the scales (group over reference), and its standard error from the observed
        information.
    scale, reference_scale, shape : float
    log_likelihood : float
    apart_log_likelihood : float
        With a shape for each; NaN where a group has none.
    shapes_p : float
        Of one shape for both, by the likelihood ratio.
    n_failed : tuple of int
        Of the group and of the reference.
    converged : bool
    """

    log_ratio: float
    log_ratio_u: float
    scale: float
    reference_scale: float
    shape: float
    log_likelihood: float
    apart_log_likelihood: float
    shapes_p: float
    n_failed: tuple[int, int]
    converged: bool


def two_weibulls(
    time: ArrayLike, failed: ArrayLike, reference_time: ArrayLike, reference_failed: ArrayLike
) -> TwoWeibulls:
    """Fit two groups of censored lives by maximum likelihood, one shape for both.

    ``converged`` is false where a group has no failure: its scale has no upper end then.

    Parameters
    ----------
    time, reference_time : array_like, shape (n,) and (m,), float64
        Time or cycles to failure or to the end without one, > 0.
    failed, reference_failed : array_like of bool, shape (n,) and (m,)
        False: ended without a failure (censored).

    Returns
    -------
    TwoWeibulls
        Scales in the unit of the times; the figures are NaN where not ``converged``.

    Raises
    ------
    ValueError
        Times and failures of a group are not of one length.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtrc

    times = [np.asarray(time, np.float64), np.asarray(reference_time, np.float64)]
    ended = [np.asarray(failed, bool), np.asarray(reference_failed, bool)]
    r = [int(d.sum()) for d in ended]
    alone = [weibull_fit(t, d) for t, d in zip(times, ended, strict=True)]
    apart = alone[0].log_likelihood + alone[1].log_likelihood
    unit = float(max(t.max(initial=0.0) for t in times))
    if min(r) == 0 or not unit > 0.0:
        return TwoWeibulls(nan, nan, nan, nan, nan, nan, apart, nan, (r[0], r[1]), False)
    x = [np.log(t / unit) for t in times]
    dead = sum(r)
    mean = sum(float(xs[d].sum()) for xs, d in zip(x, ended, strict=True)) / dead

    def slope(beta: float) -> float:
        value = 1.0 / beta + mean
        for xs, k in zip(x, r, strict=True):
            power = np.exp(beta * (xs - xs.max()))
            value -= k / dead * float(power @ xs / power.sum())
        return value

    high = 1.0
    while slope(high) > 0.0 and high < 1e6:
        high *= 2.0
    low = min(high, 1.0)
    while slope(low) < 0.0:
        low *= 0.5
    if not slope(high) < 0.0:
        return TwoWeibulls(nan, nan, nan, nan, nan, nan, apart, nan, (r[0], r[1]), False)
    shape = float(brentq(slope, low, high, xtol=1e-13, rtol=1e-13)) if low < high else high
    log_scales = [log(float(np.exp(shape * xs).sum()) / k) / shape for xs, k in zip(x, r, strict=True)]
    likelihood, info, cross, corner = 0.0, [], [], dead / shape**2
    for xs, d, k, scale in zip(x, ended, r, log_scales, strict=True):
        z = xs - scale
        w = np.exp(shape * z)
        likelihood += k * (log(shape) - scale - log(unit)) + float((shape - 1.0) * z[d].sum() - w.sum())
        info.append(shape**2 * float(w.sum()))
        cross.append(float(-k + w.sum() + shape * (w @ z)))
        corner += float(w @ z**2)
    matrix = np.array([[info[0], 0.0, cross[0]], [0.0, info[1], cross[1]], [cross[0], cross[1], corner]])
    covariance = np.linalg.inv(matrix)
    variance = float(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1])
    ratio = 2.0 * (apart - likelihood)
    return TwoWeibulls(
        log_scales[0] - log_scales[1], sqrt(variance) if variance > 0.0 else nan, unit * float(np.exp(log_scales[0])),
        unit * float(np.exp(log_scales[1])), shape, likelihood, apart,
        float(chdtrc(1, max(ratio, 0.0))) if isfinite(ratio) else nan, (r[0], r[1]), True,
    )  # fmt: skip
