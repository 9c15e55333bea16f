"""Noise of single samples of a smooth signal, from its fourth differences."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from benchpipe.kernels.robust import mad_sigma

LEAST_SAMPLES = 50
ORDER = 4
SPREAD = np.sqrt(70.0)  # root of the sum of squares of 1, 4, 6, 4, 1


def sample_noise(values: ArrayLike) -> float:
    """Standard deviation of white noise on a signal that is smooth from sample to sample.

    A sine of N samples a cycle leaves (2 pi / N)^4 of its amplitude in the fourth difference: at 50 samples 3e-5 of
    the amplitude reads as noise, at 20 samples 1e-3 (von Neumann's successive differences, taken to the fourth order).
    Noise that is slower than a sample reads low.

    Parameters
    ----------
    values : array_like, shape (n,)
        Even samples. Those that are not finite are left out.

    Returns
    -------
    float
        In the unit of the values; NaN with fewer than :data:`LEAST_SAMPLES`.
    """
    v = np.asarray(values, np.float64)
    v = v[np.isfinite(v)]
    if v.size < LEAST_SAMPLES:
        return float("nan")
    return float(mad_sigma(np.diff(v, ORDER)) / SPREAD)
