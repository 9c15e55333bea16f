"""Wear inside a block is no noise: a line, or a line of five pieces, is taken off before the noise is measured.

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
from benchpipe.kernels.noise_model import Floats, NoiseFit, fit_noise

FEWEST_IN_PIECE = 100
BINS = 1000
SURE = 10.0
"""How far, in variances of the noise at rest for each column, a curve must lower the sum of squares."""
PIECE_IN_TIMES = 40
"""A piece is at least so many correlation times long (simulated: shorter ones take slow noise off)."""
LONG = {1: 2000, 5: 20_000}
"""Blocks of so many readings and more may have this many pieces: 20 and 40 times a correlation time of 100 cycles a
piece, which has to be reckoned with though white noise may hide it."""
ALMOST_ALONE = 9.0
"""In shorter ones a curve lowers the sum of squares by so many times what it leaves."""


def take_curve_off(values: Floats) -> tuple[Floats, NoiseFit, int]:
    """Readings less their wear, their noise, and how many columns the curve has besides a constant.

    Parameters
    ----------
    values : ndarray, shape (N,), float64, varying
    """
    best = values - values.mean()
    noise, columns = fit_noise(best), 0
    quickest = float(np.mean(np.diff(values) ** 2)) / 4  # the noise at rest is hardly less
    floor = 1e-24 * float(values @ values)  # a curve to the last digit leaves no noise to be measured
    for pieces in LONG:
        if values.size < FEWEST_IN_PIECE * pieces:
            break
        curve = _Curve.fitted(best, pieces)
        least = SURE * (pieces - columns)
        if curve.gain <= least * quickest:
            continue
        left = best - curve.at_readings(values.size)
        rest = float(left @ left)
        if rest <= floor or (values.size < LONG[pieces] and curve.gain < ALMOST_ALONE * rest):
            continue
        trial = fit_noise(left, dropped=ceil(pieces / 2))
        at_rest, time = _slowness(trial)
        if curve.gain > least * at_rest and values.size / pieces >= PIECE_IN_TIMES * time:
            best, noise, columns = left, trial, pieces
    return best, noise, columns


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
    """Line of equal pieces that meet; ``gain`` is by how much it lowers the sum of squares of the readings."""

    knots: Floats
    heights: Floats
    gain: float

    @classmethod
    def fitted(cls, values: Floats, pieces: int) -> _Curve:
        """Fit it to means of up to `BINS` bins of the values, shape (N,), whose mean is 0."""
        size = values.size
        edges = np.round(np.linspace(0, size, min(size, BINS) + 1)).astype(np.intp)
        counts = np.diff(edges)
        means = np.add.reduceat(values, edges[:-1]) / counts
        middle = (edges[:-1] + edges[1:] - 1) / 2
        knots = np.linspace(0, size - 1, pieces + 1)
        root = np.sqrt(counts)
        hats = np.column_stack([np.interp(middle, knots, row) for row in np.eye(pieces + 1)]) * root[:, None]
        heights = np.asarray(np.linalg.lstsq(hats, means * root, rcond=None)[0], np.float64)
        left = means * root - hats @ heights
        return cls(knots, heights, float((means * root) @ (means * root) - left @ left))

    def at_readings(self, size: int) -> Floats:
        """Its values at each of N readings."""
        return np.asarray(np.interp(np.arange(size), self.knots, self.heights))
