"""What moves the averages of a hold besides creep: slow noise, wobble of the load, temperature.

Readings taken every second are not independent: slow noise moves neighbours together. So an average of
a thousand readings is worth fewer, and early averages of a few readings each move together. Both show
in the averages themselves, and the noise that explains them best is found by restricted maximum
likelihood.

What the load's wobble (through the joint's compliance) and temperature have moved is taken off, each
correction with its size; what is not known of its coefficient is an error common to all averages.

References
----------
H. D. Patterson & R. Thompson, Biometrika 58 (1971) 545: restricted likelihood.
Written from memory; not checked against the paper.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log, nan, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.nonlinear import whitening

Floats = NDArray[np.float64]

FEWEST_AVERAGES = 20
"""Below this the noise is taken as white."""
TRIALS = 24
KELVINS_PER_DECADE = 2
"""Settling parts per decade of time that draw any creep beside a channel's own motion."""
OWN_NOISE = 0.1
"""Part of a channel's changes, beside any creep, that may be its own noise for a coefficient to be measured."""
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
    """Noise without memory; the reading interval comes from the averages' times and counts.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Mean time of each average [s], rising.
    count : float64 array, shape (n,)
        Readings in each.

    Returns
    -------
    NoiseResult
        ``interval_s`` is 0 with fewer than two averages; ``measured`` is false.
    """
    between = (count[1:] + count[:-1]) / 2
    interval = float(np.median(np.diff(time_s) / between)) if time_s.size > 1 else 0.0
    return NoiseResult(0.0, 0.0, 1.0, interval, False)


def averages_covariance(time_s: Floats, count: Floats, noise: NoiseResult) -> Floats:
    """Covariance of averages of ``count`` evenly spaced readings of variance 1, shape (n, n).

    Where averages of one common interval would overlap, each has its own: readings may become sparse inside a hold.
    Sums exp(−Δt/τ) over all pairs of readings in closed form: geometric series in each average.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Mean time of each average [s], rising.
    count : float64 array, shape (n,)
        Readings in each, at least one.
    noise : NoiseResult
        Of the single readings.

    Returns
    -------
    float64 array, shape (n, n)
        In units of the variance of one reading.

    Notes
    -----
    Plain arithmetic.
    """
    n = np.asarray(count, np.float64)
    if noise.correlation_s <= 0:
        return np.diag(1 / n)
    tau = noise.correlation_s
    reach = (n - 1) * noise.interval_s / 2  # first and last reading stand this far from the mean time
    slow: Any = exp(-noise.interval_s / tau)
    if np.any(np.diff(time_s) < reach[1:] + reach[:-1]):  # sparse in some averages, dense in others
        interval = _own_intervals(time_s, n, noise.interval_s)
        reach, slow = (n - 1) * interval / 2, np.exp(-interval / tau)
    total = (1 - slow**n) / (1 - slow)  # Σ slowᵏ, k = 0 … n − 1
    gap = np.maximum((time_s - reach)[None, :] - (time_s + reach)[:, None], 0.0)
    between = np.triu(np.exp(-gap / tau), 1) * np.outer(total / n, total / n)
    within = ((1 + slow) / (1 - slow) - 2 * slow * total / (n * (1 - slow))) / n
    white = (1 - noise.share + 1e-9) / n
    return np.asarray(noise.share * (between + between.T + np.diag(within)) + np.diag(white))


def _own_intervals(time_s: Floats, count: Floats, interval: float) -> Floats:
    """Interval of the readings in each average, such that no two averages overlap, shape (n,)."""
    steps = np.diff(time_s) / (0.5 * (count[1:] + count[:-1]))
    own = np.minimum(np.append(steps, np.inf), np.insert(steps, 0, np.inf))
    return np.asarray(np.maximum(own, 1e-6 * interval))


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


@dataclass(frozen=True)
class ChannelCoefficient:
    """Motion per unit of another channel: a compliance, a thermal coefficient; its interval at ``coverage``.

    NaN, and not ``converged``, where it could not be measured.
    """

    value: float
    standard_error: float
    low: float
    high: float
    n_used: int
    coverage: float
    converged: bool

    @property
    def told_from_zero(self) -> bool:
        """Whether the interval leaves out zero; False where it is not known."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, eq=False)
class Correction:
    """What another channel has moved, to be taken off the motion: coefficient × (channel − reference).

    ``moved`` is of shape (n,), one for each average; ``error`` its standard error, which is that of the
    coefficient and so common to all averages.
    """

    name: str
    coefficient: float
    standard_error: float
    reference: float
    moved: Floats
    error: Floats

    @property
    def size(self) -> float:
        """Greatest size of the correction since the first average."""
        return float(np.max(np.abs(self.moved - self.moved[0]), initial=0.0)) if self.moved.size else nan

    @property
    def by_end(self) -> float:
        """What is taken off the creep by the end."""
        return float(self.moved[-1] - self.moved[0]) if self.moved.size else nan


def correction(
    name: str,
    time_s: ArrayLike,
    channel: ArrayLike,
    coefficient: float,
    standard_error: float = 0.0,
    *,
    reference: float | None = None,
) -> Correction:
    """Work out what a channel has moved, from a measured coefficient.

    Parameters
    ----------
    name : str
        As it is reported: "load", "temperature".
    time_s, channel : array_like, shape (n,)
        Averages of the hold. Where the channel has no value it is drawn straight between its neighbours.
    coefficient, standard_error : float
        Motion per unit of the channel, and what is not known of it.
    reference : float, optional
        Value of the channel at which nothing is taken off; the first one where not given.

    Returns
    -------
    Correction
        NaN throughout where the channel has no value at all.
    """
    t, c = np.asarray(time_s, np.float64), np.asarray(channel, np.float64)
    known = np.isfinite(c)
    if not known.any():
        none = np.full(t.size, nan)
        return Correction(name, coefficient, standard_error, nan, none, none)
    origin = float(c[known][0]) if reference is None else reference
    apart = np.interp(t, t[known], c[known]) - origin
    return Correction(name, coefficient, standard_error, origin, coefficient * apart, standard_error * apart)


def channel_coefficient(
    time_s: ArrayLike,
    motion: ArrayLike,
    channel: ArrayLike,
    count: ArrayLike | None = None,
    *,
    channel_noise: float,
    coverage: float = 0.95,
) -> ChannelCoefficient:
    """Measure motion per unit of a channel in the hold itself, beside any creep.

    Creep is drawn by a leak and a row of Kelvin bodies, two to a decade, which all laws are close to. A
    channel that only drifts as creep does cannot be separated from it: the interval is wide, or, where what
    is left of the channel is its own noise, there is none.

    Parameters
    ----------
    time_s, motion, channel, count : array_like, shape (n,)
        Averages of a hold, as for `fit_creep`. Rows with a value that is not finite are left out.
    channel_noise : float
        Standard deviation of a single reading of the channel, its resolution's included. It draws the
        coefficient towards zero, which is put right (attenuation; W. A. Fuller, *Measurement Error
        Models*, Wiley 1987, §1.1; from memory).
    coverage : float
        Coverage of the interval.

    Returns
    -------
    Coefficient
        By generalised least squares under the noise of `averages_noise`.
    """
    t, y, c = (np.asarray(v, np.float64) for v in (time_s, motion, channel))
    n = np.ones_like(t) if count is None else np.asarray(count, np.float64)
    keep = np.isfinite(t) & (t > 0) & np.isfinite(y) & np.isfinite(c) & (n > 0)
    t, y, c, n = t[keep], y[keep], c[keep], n[keep]
    none = ChannelCoefficient(nan, nan, nan, nan, int(t.size), coverage, False)
    if t.size < FEWEST_AVERAGES or not np.ptp(c) > 0:
        return none
    taus = np.geomspace(t[0], t[-1], 1 + round(KELVINS_PER_DECADE * np.log10(t[-1] / t[0])))
    smooth = np.column_stack([np.ones_like(t), t / t[-1], -np.expm1(-t[:, None] / taus)])
    dof = t.size - smooth.shape[1] - 1
    if dof < 1:
        return none
    aside = (c - c.mean()) / np.ptp(c)
    noise = channel_noise / np.ptp(c) / np.sqrt(n)
    _, covariance = averages_noise(t, y, n, np.column_stack([smooth, aside]))
    whiten = whitening(covariance)
    frame = np.linalg.qr(whiten(smooth))[0]
    along, left, stray = (v - frame @ (frame.T @ v) for v in (whiten(aside), whiten(y), whiten(np.diag(noise))))
    length = float(along @ along)
    own = float(np.sum(stray**2))
    if not (own <= OWN_NOISE * length and length > 1e-12 * float(np.sum(whiten(aside) ** 2))):
        return none
    slope = float(along @ left) / length
    error = sqrt(float(np.sum((left - slope * along) ** 2)) / dof / length)
    scale = (1 - own / length) * float(np.ptp(c))
    value, error = slope / scale, error / scale
    half = t_quantile(coverage, dof) * error
    return ChannelCoefficient(value, error, value - half, value + half, int(t.size), coverage, True)
