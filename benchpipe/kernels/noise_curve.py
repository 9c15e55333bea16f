"""Wear inside a block is no noise: a line, or a line of pieces that meet, is taken off before the noise is measured.

A curve also takes slow noise off, and what is left then looks too quiet. So a curve is taken only where it is
beyond doubt, and where its pieces are much longer than the noise's correlation time. In short blocks a line under
white noise and slow noise under white noise look alike; there the readings must lie on the curve almost alone. Wear
that is not taken off counts as slow noise: the uncertainty is too large, never too small.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np

from benchpipe.kernels.noise_mixture import mean_factor
from benchpipe.kernels.noise_model import BARELY_SEEN, Floats, NoiseFit, fit_noise

KNOTS = (
    (0.0, 1.0),
    (0.0, 0.2, 0.4, 0.6, 0.8, 1.0),
    (0.0, 1 / 128, 1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4, 3 / 8, 1 / 2, 5 / 8, 3 / 4, 7 / 8, 1.0),
)
"""Where pieces meet, as parts of the block: straight wear, any, and wear that begins fast and settles."""
BINS = 1024
SURE = 10.0
"""How far, in variances of the noise at rest for each column, a curve must lower the sum of squares."""
PIECE_IN_TIMES = 40
"""A piece is on average at least so many correlation times long (simulated: shorter ones take slow noise off)."""
FEWEST_IN_PIECE = 100
HIDDEN_TAU = 100
"""A correlation time [cycles] that has to be reckoned with though white noise may hide it."""
ALMOST_ALONE = ((20, 3.0), (1, 9.0))
"""A curve of pieces shorter than 40 hidden correlation times must lower the sum of squares by so many times what it
leaves: by how many of these times the block holds."""

PLAIN_PIECE = (4000, 1600)
"""A curve of longer pieces (one; several) that lowers the sum of squares as far as in long blocks is kept whatever is
left: noise slow enough to be mistaken for it lowers it less."""


def take_curve_off(values: Floats) -> tuple[Floats, NoiseFit, int]:
    """Readings less their wear, their noise, and how many columns the curve has besides a constant.

    Parameters
    ----------
    values : ndarray, shape (N,), float64, varying
        One a cycle, in order, in any unit.

    Returns
    -------
    readings : float64 array, shape (N,)
        In the unit of the values, about zero.
    noise : NoiseFit
        Of these readings.
    columns : int
        0 where no curve was taken off, 1 for a straight line, else the pieces of the curve.
    """
    best = values - values.mean()
    noise, columns = fit_noise(best), 0
    quickest = float(np.mean(np.diff(values) ** 2)) / 4  # the noise at rest is hardly less
    floor = 1e-24 * float(values @ values)  # a curve to the last digit leaves no noise to be measured
    for parts in KNOTS:
        pieces = len(parts) - 1
        if values.size < FEWEST_IN_PIECE * pieces:
            break
        curve = _Curve.fitted(best, parts)
        least = SURE * (pieces - columns)
        if curve.gain <= least * quickest:
            continue
        left = best - curve.at_readings(values.size)
        rest = float(left @ left)
        if rest <= floor or curve.gain < _least_gain(values.size, pieces) * rest:
            continue
        trial = fit_noise(left, dropped=ceil(pieces / 2))
        at_rest, time = _slowness(trial)
        if values.size >= PLAIN_PIECE[pieces > 1] * pieces and curve.gain > ALMOST_ALONE[0][1] * rest:
            time = 0.0  # what is left of the wear looks like slow noise, and counts as such
        if curve.gain > least * at_rest and values.size / pieces >= PIECE_IN_TIMES * time:
            best, noise, columns = left, trial, pieces
    return best, noise, columns


def _least_gain(size: int, pieces: int) -> float:
    """How far a curve must lower the sum of squares, as a part of what it leaves."""
    times = BARELY_SEEN if pieces == 1 else PIECE_IN_TIMES
    if size >= times * HIDDEN_TAU * pieces:
        return 0.0
    return next((gain for times, gain in ALMOST_ALONE if size >= times * HIDDEN_TAU), ALMOST_ALONE[-1][1])


def _slowness(noise: NoiseFit) -> tuple[float, float]:
    """Spectral density of the noise at frequency 0, and its correlation time in cycles: the middle of all models.

    The correlation time is that of a single one with the same density: density/(2 variance).
    """
    density = noise.variance * mean_factor(noise.models, noise.models.size) * noise.models.size
    order = np.argsort(density)
    middle = order[np.searchsorted(np.cumsum(noise.weight[order]), 0.5 * noise.weight.sum())]
    return float(density[middle]), float(density[middle] / noise.variance[middle] / 2)


@dataclass(frozen=True, eq=False)
class _Curve:
    """Line of pieces that meet; ``gain`` is by how much it lowers the sum of squares of the readings."""

    knots: Floats
    heights: Floats
    gain: float

    @classmethod
    def fitted(cls, values: Floats, parts: tuple[float, ...]) -> _Curve:
        """Fit it to means of up to `BINS` bins of the values, shape (N,), whose mean is 0."""
        size = values.size
        edges = np.round(np.linspace(0, size, min(size, BINS) + 1)).astype(np.intp)
        counts = np.diff(edges)
        means = np.add.reduceat(values, edges[:-1]) / counts
        middle = (edges[:-1] + edges[1:] - 1) / 2
        knots = np.array(parts) * (size - 1)
        root = np.sqrt(counts)
        hats = np.column_stack([np.interp(middle, knots, row) for row in np.eye(knots.size)]) * root[:, None]
        heights = np.asarray(np.linalg.lstsq(hats, means * root, rcond=None)[0], np.float64)
        left = means * root - hats @ heights
        return cls(knots, heights, float((means * root) @ (means * root) - left @ left))

    def at_readings(self, size: int) -> Floats:
        """Its values at each of N readings."""
        return np.asarray(np.interp(np.arange(size), self.knots, self.heights))
