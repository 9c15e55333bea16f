"""Zero-phase low-pass of one loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled


@compiled
def smooth(values: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Symmetric (zero-phase) low-pass of one loop, its ends continued by point reflection.

    Parameters
    ----------
    values : float array, shape (n,)
        Evenly spaced, in any unit.
    weights : float64 array, shape (h + 1,)
        Centre first; ``weights[0] + 2 * sum(weights[1:]) == 1``.

    Returns
    -------
    float64 array, shape (n,)
        In the unit of the values.
    """
    n = values.size
    out = np.empty(n, np.float64)
    for k in range(n):
        total = weights[0] * values[k]
        for h in range(1, weights.size):
            a, b = k - h, k + h
            before = values[a] if a >= 0 else 2.0 * values[0] - values[min(-a, n - 1)]
            after = values[b] if b < n else 2.0 * values[n - 1] - values[max(2 * (n - 1) - b, 0)]
            total += weights[h] * (before + after)
        out[k] = total
    return out


@compiled
def smooth_loops(
    values: NDArray[np.float64], start: NDArray[np.int64], end: NDArray[np.int64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Each stretch ``start[c] … end[c] - 1`` smoothed for itself, one after the other.

    Parameters
    ----------
    values : float64 array, shape (n,)
        In any unit.
    start, end : int64 arrays, shape (c,)
        First sample of each stretch, and the one after its last.
    weights : float64 array, shape (h + 1,)
        As for :func:`smooth`.

    Returns
    -------
    float64 array, shape (sum of all lengths,)
        In the unit of the values.
    """
    out = np.empty((end - start).sum(), np.float64)
    at = 0
    for c in range(start.size):
        after = at + end[c] - start[c]
        out[at:after] = smooth(values[start[c] : end[c]], weights)
        at = after
    return out


def gaussian_weights(cutoff_hz: float | None, sample_rate_hz: float) -> NDArray[np.float64]:
    """Half of a Gaussian filter that passes one half of the amplitude at the cut-off.

    The half-transmission cut-off is that of the Gaussian profile filter of
    ISO 16610-21 (written from memory; not checked against the standard).

    Parameters
    ----------
    cutoff_hz : float or None
        Cut-off [Hz], > 0; None: no filter.
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    float64 array, shape (h + 1,)
        Without unit, centre first, to four standard deviations; [1] without a cut-off.
    """
    if cutoff_hz is None:
        return np.ones(1)
    sigma = np.sqrt(2.0 * np.log(2.0)) / (2.0 * np.pi * cutoff_hz) * sample_rate_hz
    half = np.arange(int(np.ceil(4.0 * sigma)) + 1)
    weights: NDArray[np.float64] = np.exp(-0.5 * (half / sigma) ** 2)
    weights /= weights[0] + 2.0 * weights[1:].sum()
    return weights
