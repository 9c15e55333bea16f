"""What a few specimens show: reliability by success run, characteristic life by Weibayes, a Weibull fit.

A test that all its specimens pass shows little about the specimens to come: two survivors show a reliability of
0.316 with 90 % confidence. Every bound here is one-sided and exact for the number of specimens that it is given.

References
----------
C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404: exact bound of a binomial share; without a failure it is
the success run, R^n = 1 - C.
W. Nelson, J. Quality Technology 17 (1985) 140: Weibayes, the bound of the scale where the shape is stated
(written from memory; not checked against the paper).
NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: maximum likelihood of censored Weibull lives.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, isfinite, log, log1p, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
LEAST_SPREAD = 1e-9  # by which failures lie below the longest time, as a mean of logarithms: less is rounding


def reliability_bound(survived: int, failed: int, confidence: float) -> float:
    """Lower bound of the share of specimens that survive, at one-sided confidence (Clopper-Pearson).

    Parameters
    ----------
    survived, failed : int
        Specimens of one population, chosen before the test; both >= 0.
    confidence : float
        Above 0 and below 1.

    Returns
    -------
    float
        The share p at which so many survivors or more have the probability 1 - C: quantile 1 - C of the beta
        distribution (survived, failed + 1); (1 - C)^(1/n) without a failure, 0 without a survivor.

    Raises
    ------
    ValueError
        A count is negative, or the confidence is outside.
    """
    _inside("confidence", confidence)
    if survived < 0 or failed < 0:
        raise ValueError(f"survived and failed must not be negative; got {survived} and {failed}")
    if survived == 0:
        return 0.0
    if failed == 0:
        return exp(log1p(-confidence) / survived)
    from scipy.special import betaincinv

    return float(betaincinv(survived, failed + 1, 1.0 - confidence))


@dataclass(frozen=True)
class WeibayesResult:
    """Lower bound of the characteristic life (63.2 % have failed by then) at a stated Weibull shape.

    ``life`` has the unit of the times; NaN where ``converged`` is false (no time above zero).
    """

    life: float
    shape: float
    confidence: float
    n_failed: int
    n_used: int
    converged: bool


def weibayes_life(time: ArrayLike, failed: ArrayLike, shape: float, confidence: float) -> WeibayesResult:
    """Lower bound of the characteristic life where the Weibull shape is stated and not fitted.

    η_L = (2 Σ tᵢ^β / χ²(C; 2r + 2))^(1/β), with r failures; without one χ²(C; 2) = -2 ln(1 - C). With failures it
    holds for a test that stops at a time; for one that stops at a failure it is on the safe side.

    Parameters
    ----------
    time : array_like of float64, shape (n,)
        Time or cycles of each specimen, to its failure or to its end without one. Rows that are not finite, or
        negative, are left out.
    failed : array_like of bool, shape (n,)
        True where the time ends in a failure.
    shape : float
        Weibull shape β, above 0. Its own uncertainty is not in the bound.
    confidence : float
        One-sided, above 0 and below 1.

    Returns
    -------
    WeibayesResult

    Raises
    ------
    ValueError
        Shape or confidence is outside, or times and failures are not of one length.
    """
    _inside("confidence", confidence)
    if not (shape > 0.0 and isfinite(shape)):
        raise ValueError(f"shape must be above 0; got {shape}")
    t, ended = _lives(time, failed, least=0.0)
    longest = float(t.max(initial=0.0))
    if longest == 0.0:
        return WeibayesResult(nan, shape, confidence, int(ended.sum()), t.size, False)
    from scipy.special import gammaincinv

    r = int(ended.sum())
    half_chi2 = -log1p(-confidence) if r == 0 else float(gammaincinv(r + 1, confidence))
    total = float(np.sum((t / longest) ** shape))  # scaled: the 20th power of a million is out of range
    try:
        life = longest * (total / half_chi2) ** (1.0 / shape)
    except OverflowError:  # a shape near nought
        life = inf
    return WeibayesResult(life, shape, confidence, r, t.size, isfinite(life))


@dataclass(frozen=True)
class WeibullResult:
    """A Weibull life distribution, S(t) = exp(-(t/scale)^shape), by maximum likelihood.

    ``shape_u`` and ``scale_u`` are standard errors from the observed information, which with few failures are too
    small. ``scale`` has the unit of the times.
    """

    shape: float
    scale: float
    shape_u: float
    scale_u: float
    correlation: float
    log_likelihood: float
    n_failed: int
    n_used: int
    converged: bool


def weibull_fit(time: ArrayLike, failed: ArrayLike) -> WeibullResult:
    """Fit a Weibull distribution to lives, some of which ended without a failure (censored on the right).

    The shape is the root of 1/β + mean(ln t of failures) - Σ t^β ln t / Σ t^β, which falls steadily; the scale is
    (Σ t^β / r)^(1/β).

    Parameters
    ----------
    time : array_like of float64, shape (n,)
        Above 0; rows that are not finite or not above 0 are left out.
    failed : array_like of bool, shape (n,)
        False: ended without a failure (censored).

    Returns
    -------
    WeibullResult
        ``converged`` is false, and the figures NaN, where there is no failure before the longest time.

    Raises
    ------
    ValueError
        Times and failures are not of one length.
    """
    t, ended = _lives(time, failed, least=np.finfo(float).tiny)
    r = int(ended.sum())
    unit = float(t.max()) if t.size else 1.0
    x = np.log(t / unit)
    mean = float(x[ended].mean()) if r else 0.0
    if r == 0 or not mean < -LEAST_SPREAD:
        return WeibullResult(nan, nan, nan, nan, nan, nan, r, t.size, False)
    from scipy.optimize import brentq

    def slope(beta: float) -> float:
        power = np.exp(beta * x)
        return float(1.0 / beta + mean - power @ x / power.sum())

    high = 1.0
    while slope(high) > 0.0:
        high *= 2.0
    low = high
    while slope(low) < 0.0:
        low *= 0.5
    shape = float(brentq(slope, low, high, xtol=1e-13 * high, rtol=1e-13)) if low < high else high
    power = np.exp(shape * x)
    eta = float((power.sum() / r) ** (1.0 / shape))
    return _with_errors(x, ended, shape, eta, unit)


def _with_errors(x: Floats, ended: NDArray[np.bool_], shape: float, eta: float, unit: float) -> WeibullResult:
    """Log-likelihood and standard errors at the maximum; ``x`` are logarithms of times over ``unit``."""
    r = int(ended.sum())
    z = x - log(eta)
    w = np.exp(shape * z)  # (t / scale)^shape
    log_likelihood = r * (log(shape) - log(eta * unit)) + float((shape - 1.0) * z[ended].sum() - w.sum())
    info_shape = r / shape**2 + float(w @ z**2)
    cross = float(-r + w.sum() + shape * (w @ z))  # d² logL / d shape d ln(scale)
    info_scale = shape**2 * float(w.sum())  # of ln(scale)
    det = info_shape * info_scale - cross**2
    if not det > 0.0:
        return WeibullResult(shape, eta * unit, nan, nan, nan, log_likelihood, r, x.size, False)
    correlation = cross / sqrt(info_shape * info_scale)
    shape_u, log_scale_u = sqrt(info_scale / det), sqrt(info_shape / det)
    scale = eta * unit
    return WeibullResult(
        shape, scale, shape_u, scale * log_scale_u, correlation, log_likelihood, r, x.size, isfinite(scale)
    )


def _lives(time: ArrayLike, failed: ArrayLike, least: float) -> tuple[Floats, NDArray[np.bool_]]:
    t, ended = np.asarray(time, np.float64).ravel(), np.asarray(failed, bool).ravel()
    if t.size != ended.size:
        raise ValueError(f"time has {t.size} rows, failed {ended.size}")
    good = np.isfinite(t) & (t >= least)
    return t[good], ended[good]


def _inside(name: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name} must be above 0 and below 1; got {value}")
