"""Curves that an end stop's load may follow beyond its engagement, and how well each fits from each trial point.

A hard stop is a straight line. A bumper stiffens as it is pressed: as a power of the way (3/2 for a ball on a
flat, after Hertz), or exponentially. Which one applies is not known, and the wrong one moves the engagement by far more
than the noise does. So a family is fitted, each member from each trial point, with stiffnesses that cannot be
negative: the line alone, each curve alone, each with the line, and neighbours together (what lies between them).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled
from benchpipe.kernels.stop_noise import StopNoise, prediction, whitened

Floats = NDArray[np.float64]

POWERS = (1.25, 1.5, 1.75, 2.0, 2.33, 2.67, 3.0, 3.5, 4.0)
RATES = (0.7, 1.4, 2.1, 2.8, 3.1, 3.4, 3.7, 4.0, 4.3, 4.6, 4.9, 5.2, 5.6, 6.0, 6.5, 7.0, 8.0, 10.0)
"""Of the exponentials, in one over the way from engagement to the largest motion."""
CURVES = len(POWERS) + len(RATES)
HARD, ALONE, WITH_LINE = 0.3, 0.3, 0.4
"""Prior probabilities: a line, a curve alone (or two neighbours), a curve with a line; each family's in equal parts."""
SECOND = 0.6
"""What a second stiffness costs, in parts of the Schwarz penalty of half a log n: at 1 a stop of line and square
passes for the power 1.75, at 0.3 a bare square gets a line."""
WORTH = 0.8
"""Averages are counted as so many times their number: pays for noise that is chosen from them. This and SECOND are
set by simulation (tests/benchmarks/stops_coverage.py)."""
LEAST_LEFT = 1e-13
STRAIGHT = 1e-9
"""A curve of which a straight line leaves no more than so much, squared, is one: the rest is rounding."""


@dataclass(frozen=True, eq=False)
class StopRows:
    """Averages of a leg turned so that the stop is at the largest motion; all of shape (n,).

    ``low`` and ``high`` are the smallest and largest motion in an average; ``top`` is the largest of all.
    """

    motion: Floats
    low: Floats
    high: Floats
    load: Floats
    top: float

    @staticmethod
    def of(motion: Floats, load: Floats, most: int) -> StopRows:
        """Averages of neighbours, not more than ``most``; what is over falls off where the leg begins."""
        size = -(-motion.size // most)
        first = motion.size % size
        x, y = motion[first:].reshape(-1, size), load[first:].reshape(-1, size)
        return StopRows(x.mean(axis=1), x.min(axis=1), x.max(axis=1), y.mean(axis=1), float(motion.max()))

    def straight(self) -> Floats:
        """Constant and motion, shape (2, n)."""
        return np.stack([np.ones_like(self.motion), (self.motion - self.motion.mean()) / np.ptp(self.motion)])

    def pressed(self, at: float) -> Floats:
        """Mean way beyond ``at`` in each average, as a part of the largest."""
        return beyond(self.motion, self.low, self.high, at) / (self.top - at)


@compiled
def beyond(motion: Floats, low: Floats, high: Floats, at: float) -> Floats:
    """Mean of max(x − at, 0) in each average, its motions taken as spread evenly from ``low`` to ``high``.

    Parameters
    ----------
    motion, low, high : float64 arrays, shape (n,)
        Mean, smallest and largest motion of each average [deg or mm].
    at : float
        Trial point of engagement, in the same unit.

    Returns
    -------
    float64 array, shape (n,)
        In the same unit, 0 where the whole average lies before ``at``.
    """
    out = np.empty(motion.size)
    for t in range(motion.size):
        if high[t] <= at:
            out[t] = 0.0
        elif low[t] >= at or high[t] <= low[t]:
            out[t] = max(motion[t] - at, 0.0)
        else:
            out[t] = (high[t] - at) ** 2 / (2.0 * (high[t] - low[t]))
    return out


@compiled
def _fill(column: Floats, u: float, powers: Floats, rates: Floats) -> None:
    """The line and all curves at one place: 0 at u = 0 and 1 at u = 1."""
    column[:] = 0.0
    if u <= 0.0:
        return
    column[0] = u
    log = np.log(u)
    for k in range(powers.size):
        column[1 + k] = np.exp(powers[k] * log)
    for k in range(rates.size):
        column[1 + powers.size + k] = (np.exp(rates[k] * u) - 1.0) / (np.exp(rates[k]) - 1.0)


@compiled
def _columns(u: Floats, powers: Floats, rates: Floats) -> Floats:
    """The line and all curves, shape (1 + CURVES, n)."""
    out = np.empty((u.size, 1 + powers.size + rates.size))
    for t in range(u.size):
        _fill(out[t], u[t], powers, rates)
    return out.T.copy()


@compiled
def _products(
    rows: tuple[Floats, Floats, Floats], top: float, base: Floats, trials: Floats,
    shapes: tuple[Floats, Floats], predicting: tuple[float, Floats, Floats],
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """For each trial: products of the columns with the load, with the line and with the next, all of unit length.

    ``base`` holds the whitened constant and motion, orthogonal and of unit length, and what they leave of the load;
    it is taken off the columns too. These are 0 up to the trial point, whitened or not.
    """
    motion, low, high = rows
    powers, rates = shapes
    rho, gains, sizes = predicting
    count, n = 1 + powers.size + rates.size, motion.size
    with_load = np.zeros((trials.size, count))
    with_line = np.zeros((trials.size, count))
    with_next = np.zeros((trials.size, count))
    at, before, column, size = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    for c in range(trials.size):
        u = beyond(motion, low, high, trials[c])
        for t in range(n):
            u[t] /= top - trials[c]
        first = 0
        while first < n - 1 and u[first] <= 0.0:
            first += 1
        at[:] = 0.0
        own, ones, along, load = np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count)
        line, following = np.zeros(count), np.zeros(count)
        for t in range(first, n):
            _fill(column, u[t], powers, rates)
            for k in range(count):
                error = column[k] - at[k]
                at[k] = rho * (at[k] + gains[t] * error)
                value = error / sizes[t]
                before[k] = value
                own[k] += value * value
                ones[k] += value * base[0, t]
                along[k] += value * base[1, t]
                load[k] += value * base[2, t]
                line[k] += value * before[0]
            for k in range(count - 1):
                following[k] += before[k] * before[k + 1]
        for k in range(count):  # one by one: expressions of arrays bring in what takes ten times as long to compile
            rest = own[k] - ones[k] * ones[k] - along[k] * along[k]
            size[k] = np.sqrt(max(rest, STRAIGHT * own[k]))
            with_load[c, k] = load[k] / size[k] if rest > STRAIGHT * own[k] else 0.0
            with_line[c, k] = (line[k] - ones[k] * ones[0] - along[k] * along[0]) / (size[k] * size[0])
        for k in range(count - 1):
            with_next[c, k] = (following[k] - ones[k] * ones[k + 1] - along[k] * along[k + 1]) / (size[k] * size[k + 1])
    return with_load, with_line, with_next


@dataclass(frozen=True, eq=False)
class StopFits:
    """All models from all trial points.

    ``log_weight`` has shape (trials, models); ``best`` are the trial and model of the largest; ``evidence`` is
    by how much the best model's beats that of no stop at all, prior left out.
    """

    trials: Floats
    log_weight: Floats
    best: tuple[int, int]
    evidence: float
    dof: float

    def weights(self) -> Floats:
        """Of the trial points, all models together; the largest is near 1."""
        return np.asarray(np.exp(self.log_weight - self.log_weight.max()).sum(axis=1))

    @property
    def hard(self) -> float:
        """Probability of the line alone."""
        weight = np.exp(self.log_weight - self.log_weight.max()).sum(axis=0)
        return float(weight[0] / weight.sum())

    @property
    def curve_part(self) -> float:
        """Part of the variance of the engagement that is between the models: what is not known of the curve."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        away = self.trials - self.trials.mean()
        share = weight.sum(axis=0)
        kept = share > 0.0
        means = (away @ weight)[kept] / share[kept]
        part = share[kept] / share.sum()
        mean = float(part @ means)
        whole = float(weight.sum(axis=1) @ (away - mean) ** 2) / float(share.sum())
        return float(part @ (means - mean) ** 2) / whole if whole > 0.0 else 0.0


def columns_of(model: int) -> list[int]:
    """Which columns a model has: alone, line and curve, or neighbours.

    Parameters
    ----------
    model : int
        Number of the model: 0 is the line alone, the curves follow alone, then with the line, then neighbours together.

    Returns
    -------
    list of int
        One or two of the columns of a line and all curves.
    """
    if model <= CURVES:
        return [model]
    if model <= 2 * CURVES:
        return [0, model - CURVES]
    return [model - 2 * CURVES, model - 2 * CURVES + 1]


def curve_columns(pressed: Floats, model: int) -> Floats:
    """Columns of a model, shape (1 or 2, n).

    Parameters
    ----------
    pressed : float64 array, shape (n,)
        Way beyond the engagement, from 0 to 1 of that at the largest motion.
    model : int
        As for :func:`columns_of`.

    Returns
    -------
    float64 array, shape (1 or 2, n)
        Without unit.
    """
    return np.asarray(_columns(pressed, np.array(POWERS), np.array(RATES))[columns_of(model)])


def fit_curves(rows: StopRows, trials: Floats, noise: StopNoise) -> StopFits:
    """Fit each model from each trial point.

    Parameters
    ----------
    rows : StopRows
    trials : float64 array, shape (c,)
        Below ``rows.top``.
    noise : StopNoise

    Returns
    -------
    StopFits
        ``log_weight`` is of shape (c, models), -inf where a stiffness is negative.

    Notes
    -----
    The weight of a model at a trial point is prior × rss^(−ν/2) × n^(−k/2), k stiffnesses (G. Schwarz, Ann.
    Statist. 6 (1978) 461; written from memory, not checked), nothing where a stiffness is negative. A flat prior for
    the point; the curves of a family share its weight, which averages over its shape.
    """
    n = rows.motion.size
    base, _ = whitened(np.vstack([rows.straight(), rows.load[None, :]]), noise.rho, noise.share)
    base[0] /= np.sqrt(base[0] @ base[0])
    base[1] -= (base[0] @ base[1]) * base[0]
    base[1] /= np.sqrt(base[1] @ base[1])
    for q in range(2):
        base[2] -= (base[q] @ base[2]) * base[q]
    flat = float(base[2] @ base[2])
    load, line, following = _products(
        (rows.motion, rows.low, rows.high), rows.top, base, trials, (np.array(POWERS), np.array(RATES)),
        (noise.rho, *prediction(n, noise.rho, noise.share)),
    )  # fmt: skip
    next_of = following[:, 1:-1].copy()
    next_of[:, len(POWERS) - 1] = 1.0  # the last power and the first exponential are no neighbours
    gain = np.concatenate([
        np.where(load > 0.0, load**2, 0.0),
        _gain(load[:, :1], load[:, 1:], line[:, 1:]),
        _gain(load[:, 1:-1], load[:, 2:], next_of),
    ], axis=1)  # fmt: skip
    left = np.maximum(flat - gain, LEAST_LEFT * flat)
    terms = np.repeat([1.0, 1.0 + SECOND], [1 + CURVES, 2 * CURVES - 1])
    prior = np.repeat(
        [HARD, 0.5 * ALONE / CURVES, WITH_LINE / CURVES, 0.5 * ALONE / (CURVES - 1)], [1, CURVES, CURVES, CURVES - 1]
    )
    dof = WORTH * n - 4.0
    likelihood = -0.5 * dof * np.log(left / flat) - 0.5 * terms * np.log(n)
    log_weight = np.where(gain > 0.0, likelihood + np.log(prior), -np.inf)
    trial, model = np.unravel_index(int(np.argmax(log_weight)), log_weight.shape)
    evidence = float(likelihood[trial, model]) if np.isfinite(log_weight[trial, model]) else -np.inf
    return StopFits(trials, log_weight, (int(trial), int(model)), evidence, dof)


def _gain(first: Floats, second: Floats, both: Floats) -> Floats:
    """What two columns take off the sum of squares; nothing where one of their stiffnesses is not positive."""
    own = np.maximum(1.0 - both**2, 1e-9)
    a, b = (first - both * second) / own, (second - both * first) / own
    return np.where((a > 0.0) & (b > 0.0) & (both < 1.0 - 1e-9), a * first + b * second, 0.0)
