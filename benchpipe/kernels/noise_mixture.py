"""Errors of means and medians in the noises of a block, and the mixture of them as one standard uncertainty.

Averaging the variance over noises of very unlike likelihood and taking Student's factor for the degrees of freedom
that are left is many times too wide: a noise of little weight and large variance rules both. So the quantiles of
the mixture itself are found, and given as the standard uncertainty and degrees of freedom that have them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np

from benchpipe.kernels.noise_model import Floats, NoiseFit, NoiseModels, flicker_times

Statistic = Literal["mean", "median"]

MEDIAN_OF_FEW = (
    0.636620, 0.636620, 0.856899, 0.759359, 0.913020, 0.820257, 0.937822, 0.856538, 0.951690, 0.880613,
    0.960523, 0.897758, 0.966635, 0.910589, 0.971112, 0.920554, 0.974532, 0.928518, 0.977230, 0.935029,
)  # fmt: skip
"""Variance of the median of 1 … 20 independent normal readings over (π/2)/n, by numerical integration of the
density of the middle readings (David & Nagaraja, Order Statistics, §2.1; written from memory, not checked)."""
GUARD, SHOULDER = 0.97725, 0.8413
"""Probabilities at which the mixture's quantiles are matched: the guard of a limit, and one standard deviation."""
GROUPS = 0.1
"""Models whose ln variance is equal to this much are taken together, at their mean."""
SLIGHT = 1e-7
"""Groups of less weight are left out."""


def exponential_sum(tau: Floats, n: int) -> Floats:
    """Σᵢⱼ φ^|i − j| over n readings: n(1 + φ)/(1 − φ) − 2φ(1 − φⁿ)/(1 − φ)², φ = exp(−1/τ).

    Parameters
    ----------
    tau : float64 array, shape (models,)
        Correlation times in readings, > 0.
    n : int
        Readings, at least one.

    Returns
    -------
    float64 array, shape (models,)
        Without unit, from n (white) to n².

    Notes
    -----
    Two geometric series; plain arithmetic.
    """
    phi, rest = np.exp(-1 / tau), -np.expm1(-1 / tau)
    return np.asarray(n * (1 + phi) / rest + 2 * phi * np.expm1(-n / tau) / rest**2)


def _apart(tau: Floats, first: int, n: int, other: int, m: int) -> Floats:
    """Σᵢⱼ φ^(j − i) over n readings from ``first`` and m later ones from ``other``: none is shared."""
    if n <= 0 or m <= 0:
        return np.zeros(tau.size)
    rest = -np.expm1(-1 / tau)
    head = -np.expm1(-n / tau) / rest
    return np.asarray(np.exp(-(other - first - n + 1) / tau) * head * (-np.expm1(-m / tau) / rest))


def exponential_cross(tau: Floats, first: int, n: int, other: int, m: int) -> Floats:
    """Σᵢⱼ φ^|i − j| over two windows of n and m readings that begin at ``first`` and ``other``; they may overlap.

    Parameters
    ----------
    tau : float64 array, shape (models,)
        Correlation times in readings, > 0.
    first, n : int
        First reading of a window, and how many it has.
    other, m : int
        The same of the other window.

    Returns
    -------
    float64 array, shape (models,)
        Without unit.
    """
    if other < first:
        first, n, other, m = other, m, first, n
    end, end_other = first + n, other + m
    shared = max(min(end, end_other) - other, 0)
    if shared == 0:
        return _apart(tau, first, n, other, m)
    total = _apart(tau, first, other - first, other, m) + exponential_sum(tau, shared)
    if end > end_other:  # the other lies inside
        return np.asarray(total + _apart(tau, other, m, end_other, end - end_other))
    return np.asarray(total + _apart(tau, other, shared, end, end_other - end))


@lru_cache(maxsize=128)
def mean_factor(models: NoiseModels, n: int) -> Floats:
    """Variance of the mean of n consecutive readings over that of one: n⁻² ΣΣ ρᵢⱼ, shape (models,).

    Parameters
    ----------
    models : NoiseModels
    n : int
        Readings of the window, at least one.

    Returns
    -------
    float64 array, shape (models,)
        Without unit: 1/n for white noise, 1 where all readings move together. It is kept: do not change it in place.
    """
    taus, which = np.unique(models.tau, return_inverse=True)
    flicker = float(exponential_sum(flicker_times(models.size), n).mean())
    return models.mix(exponential_sum(taus, n)[which], flicker, float(n)) / n**2


def mean_covariance(models: NoiseModels, first: int, n: int, other: int, m: int) -> Floats:
    """Covariance of the means of two windows over the variance of one reading, shape (models,).

    Parameters
    ----------
    models : NoiseModels
    first, n : int
        First reading of a window, and how many it has.
    other, m : int
        The same of the other window; they may overlap.

    Returns
    -------
    float64 array, shape (models,)
        Without unit.
    """
    taus, which = np.unique(models.tau, return_inverse=True)
    flicker = float(exponential_cross(flicker_times(models.size), first, n, other, m).mean())
    shared = float(max(min(first + n, other + m) - max(first, other), 0))
    return models.mix(exponential_cross(taus, first, n, other, m)[which], flicker, shared) / (n * m)


def median_of_few(n: int) -> float:
    """Variance of the median of n independent normal readings over (π/2)/n; 1 − 1.34/n or 1 − 0.44/n beyond 20.

    Parameters
    ----------
    n : int
        Readings, at least one.

    Returns
    -------
    float
        Without unit, from 0.64 for one to 1 for many.

    Notes
    -----
    Up to 20 from a table (its source is beside it); 1 − c/n goes on from there (0.002 off at 20).
    """
    if n <= len(MEDIAN_OF_FEW):
        return MEDIAN_OF_FEW[n - 1]
    return 1 - (0.44 if n % 2 else 1.34) / n


def _lags(n: int) -> tuple[Floats, Floats]:
    """Lags k < n and how many each stands for: one by one to 64, then ever further apart."""
    edges = np.unique(np.round(np.concatenate([np.arange(min(n, 64)), np.geomspace(64, max(n, 65), 120)])))
    edges = edges[edges < n]
    ends = np.append(edges[1:], n)
    return (edges + ends - 1) / 2, ends - edges


@lru_cache(maxsize=128)
def median_factor(models: NoiseModels, n: int) -> Floats:
    """Variance of the median of n consecutive readings over that of one, shape (models,).

    Of normal noise: c n⁻² ΣΣ arcsin ρᵢⱼ, c the ratio for few independent readings. That is too much where noise is
    slower than the window, whose median then is close to its mean: at most v (1 + (cπ/2 − 1)(1 − ρ̄)), v the
    factor of the mean and ρ̄ the mean correlation of two readings (simulated: 5 % below to 10 %
    above the true one).

    Parameters
    ----------
    models : NoiseModels
    n : int
        Readings of the window, at least one.

    Returns
    -------
    float64 array, shape (models,)
        Without unit. It is kept: do not change it in place.

    Notes
    -----
    E(sgn x sgn y) = (2/π) arcsin ρ of two normal values is from memory, not looked up.
    """
    mean = mean_factor(models, n)
    if n < 3:
        return mean
    lags, counts = _lags(n)
    taus, which = np.unique(models.tau, return_inverse=True)
    flicker = np.exp(-lags / flicker_times(models.size)[:, None]).mean(axis=0)
    rho = models.mix(np.exp(-lags / taus[:, None])[which], flicker, (lags == 0).astype(float))
    weight = (1 - lags / n) * np.where(lags == 0, 1.0, 2.0) * counts / n
    few = median_of_few(n)
    between = (n * mean - 1) / (n - 1)
    slow = mean * (1 + (few * np.pi / 2 - 1) * (1 - between))
    return np.minimum(few * (np.arcsin(np.clip(rho, -1.0, 1.0)) @ weight), slow)


def statistic_factor(models: NoiseModels, n: int, statistic: Statistic) -> Floats:
    """Variance of the mean or median of n consecutive readings over that of one.

    Parameters
    ----------
    models : NoiseModels
    n : int
        Readings of the window, at least one.
    statistic : "mean" or "median"

    Returns
    -------
    float64 array, shape (models,)
        Without unit, as of :func:`mean_factor` and :func:`median_factor`.
    """
    return mean_factor(models, n) if statistic == "mean" else median_factor(models, n)


def mixture_u(fit: NoiseFit, factor: Floats, dof: float) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of a figure whose variance is σ² × ``factor`` in each noise.

    Parameters
    ----------
    fit : NoiseFit
    factor : ndarray, shape (models,)
        Variance of the figure over that of one reading.
    dof : float
        Degrees of freedom of the figure in one noise.

    Returns
    -------
    u, dof : float
        Student's distribution with them has the mixture's quantiles at `GUARD` and (down to one degree of freedom)
        at `SHOULDER`.
    """
    from scipy.special import stdtrit

    logs = np.log(np.maximum(fit.variance * factor, 1e-300))
    group = ((logs - logs.min()) / GROUPS).astype(np.intp)
    weight, total = np.bincount(group, fit.weight), np.bincount(group, fit.weight * logs)
    kept = weight > SLIGHT
    sigma, weight = np.exp(total[kept] / weight[kept] / 2), weight[kept] / weight[kept].sum()
    guard, shoulder = (_quantile(sigma, weight, dof, p) for p in (GUARD, SHOULDER))
    nu = _dof_of(guard / shoulder, dof)
    return guard / float(stdtrit(nu, GUARD)), nu


def _dof_of(ratio: float, most: float) -> float:
    """Degrees of freedom, 1 … ``most``, for which Student's quantiles at `GUARD` and `SHOULDER` have this ratio."""
    from scipy.optimize import brentq
    from scipy.special import stdtrit

    def beyond(inverse: float) -> float:
        return float(stdtrit(1 / inverse, GUARD) / stdtrit(1 / inverse, SHOULDER)) - ratio

    if beyond(1 / most) >= 0:
        return most
    return 1.0 if beyond(1.0) <= 0 else 1 / float(brentq(beyond, 1 / most, 1.0, xtol=1e-9))


def _quantile(sigma: Floats, weight: Floats, dof: float, p: float) -> float:
    """Quantile p > 1/2 of a mixture of Student's distributions of scales ``sigma``."""
    from scipy.optimize import brentq
    from scipy.special import stdtr, stdtrit

    factor = float(stdtrit(dof, p))
    low, high = float(np.log(sigma.min() * factor)), float(np.log(sigma.max() * factor))
    if high - low < 1e-9:
        return float(np.exp(high))
    return float(np.exp(brentq(lambda x: float(weight @ stdtr(dof, np.exp(x) / sigma)) - p, low, high, xtol=1e-6)))
