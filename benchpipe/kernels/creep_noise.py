"""How the errors of log-spaced averages hang together.

Readings taken every second are not independent: slow noise moves neighbours together. So an average of
a thousand readings is worth fewer, and early averages of a few readings each move together. Both show
in the averages themselves, and the noise that explains them best is found by restricted maximum
likelihood.

References
----------
H. D. Patterson & R. Thompson, Biometrika 58 (1971) 545: restricted likelihood. [M] from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST_AVERAGES = 20
"""Below this the noise is taken as white."""
TRIALS = 24
SHARES = (1.0, 0.6, 0.3, 0.1)


@dataclass(frozen=True)
class NoiseResult:
    """Noise of the single readings behind the averages.

    A share ``share`` of its variance is slow, with autocorrelation exp(−Δt/``correlation_s``); the
    rest is white. ``readings_per_independent`` is how many readings, ``interval_s`` apart, are worth
    one: (1 + ρ)/(1 − ρ) where all is slow. Not ``measured`` (too few averages): taken as white.
    """

    share: float
    correlation_s: float
    readings_per_independent: float
    interval_s: float
    measured: bool


def white_noise(time_s: Floats, count: Floats) -> NoiseResult:
    """Noise without memory; the reading interval comes from the averages' times and counts."""
    between = (count[1:] + count[:-1]) / 2
    interval = float(np.median(np.diff(time_s) / between)) if time_s.size > 1 else 0.0
    return NoiseResult(0.0, 0.0, 1.0, interval, False)


def averages_covariance(time_s: Floats, count: Floats, noise: NoiseResult) -> Floats:
    """Covariance of averages of ``count`` evenly spaced readings of variance 1, shape (n, n).

    Sums exp(−Δt/τ) over all pairs of readings in closed form: geometric series in each average.
    """
    n = np.asarray(count, np.float64)
    if noise.correlation_s <= 0:
        return np.diag(1 / n)
    tau = noise.correlation_s
    reach = (n - 1) * noise.interval_s / 2  # first and last reading stand this far from the mean time
    slow = exp(-noise.interval_s / tau)
    total = (1 - slow**n) / (1 - slow)  # Σ slowᵏ, k = 0 … n − 1
    gap = np.maximum((time_s - reach)[None, :] - (time_s + reach)[:, None], 0.0)
    between = np.triu(np.exp(-gap / tau), 1) * np.outer(total / n, total / n)
    within = ((1 + slow) / (1 - slow) - 2 * slow * total / (n * (1 - slow))) / n
    white = (1 - noise.share + 1e-9) / n
    return np.asarray(noise.share * (between + between.T + np.diag(within)) + np.diag(white))


def averages_noise(time_s: Floats, motion: Floats, count: Floats, tangent: Floats) -> tuple[NoiseResult, Floats]:
    """Find the noise that explains how the averages scatter about a curve, and their covariance.

    Parameters
    ----------
    time_s, motion, count : ndarray, shape (n,), s, unit of motion, readings
    tangent : ndarray, shape (n, parameters)
        Columns that the curve is (locally) linear in: its gradient at a first fit.

    Returns
    -------
    noise : NoiseResult
        The most likely one. Correlation times from 0.3 reading intervals to a twentieth of the hold
        are tried.
    covariance : ndarray, shape (n, n)
        Of the averages, for readings of variance 1: the mean over all trials by their likelihood, so
        that what is not known of the noise is not taken as known.
    """
    white = white_noise(time_s, count)
    if time_s.size < max(FEWEST_AVERAGES, 3 * tangent.shape[1]) or not white.interval_s > 0:
        return white, averages_covariance(time_s, count, white)
    size = np.sqrt(np.sum(tangent**2, axis=0))
    columns = np.column_stack([tangent[:, size > 0] / size[size > 0], motion])
    taus = np.geomspace(0.3 * white.interval_s, time_s[-1] / 20, TRIALS).tolist()
    trials = [_noise(1.0, 0.0, white.interval_s)]
    trials += [_noise(share, tau, white.interval_s) for share in SHARES for tau in taus]
    covariances = [averages_covariance(time_s, count, trial) for trial in trials]
    found = [_restricted_likelihood(c, columns) for c in covariances]
    worth = np.array([likelihood for likelihood, _ in found])
    best = int(np.argmax(worth))
    if not np.isfinite(worth[best]):
        return white, averages_covariance(time_s, count, white)
    part = np.exp(worth - worth[best]) * np.array([variance for _, variance in found])
    mean = sum(p * c for p, c in zip(part / part.sum(), covariances, strict=True) if p > 0)
    return trials[best], np.asarray(mean)


def _noise(share: float, tau: float, interval: float) -> NoiseResult:
    """Noise of one slow share and correlation time, with what a reading is worth."""
    slow = exp(-interval / tau) if tau > 0 else 0.0
    share = share if tau > 0 else 0.0
    return NoiseResult(share, tau, 1 + 2 * share * slow / (1 - slow), interval, True)


def _restricted_likelihood(covariance: Floats, columns: Floats) -> tuple[float, float]:
    """Restricted log-likelihood at its best scale, and that scale; the last column is what is fitted."""
    factor = np.linalg.cholesky(covariance)
    r = np.linalg.qr(np.linalg.solve(factor, columns), mode="r")
    diagonal = np.abs(np.diag(r))
    if not np.all(diagonal > 0):
        return -inf, 0.0
    dof = columns.shape[0] - columns.shape[1] + 1
    volumes = float(np.sum(np.log(np.diag(factor))) + np.sum(np.log(diagonal[:-1])))
    variance = float(diagonal[-1]) ** 2 / dof
    return -volumes - 0.5 * dof * log(variance), variance
