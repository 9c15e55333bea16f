"""Noise of the load on the way into an end stop: white, and slow with an exponential memory.

Readings that follow one another are not independent, and a least-squares fit of them claims too much or, where
most of the noise is slow, far too little. So rows are *whitened*: the part of the noise that the rows before predict is
subtracted from each of them. The noise is chosen by restricted maximum likelihood.

References
----------
A. C. Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter* (Cambridge 1989) ch. 3:
likelihood by prediction errors. H. D. Patterson & R. Thompson, Biometrika 58 (1971) 545: restricted likelihood.
Both written from memory; not checked against the documents.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

Floats = NDArray[np.float64]

MEMORIES = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""Memories that are tried, in averages; those longer than a fifth of the leg are not separable from its course."""
LONGEST_PART = 0.2
SHARES = (1.0, 0.75, 0.5, 0.3, 0.15)


@dataclass(frozen=True)
class StopNoise:
    """A share ``share`` of the variance follows AR(1) with the coefficient ``rho`` from average to average."""

    rho: float = 0.0
    share: float = 0.0

    @property
    def lag1(self) -> float:
        """Autocorrelation of neighbours."""
        return self.rho * self.share


@compiled
def prediction(n: int, rho: float, share: float) -> tuple[Floats, Floats]:
    """Kalman gain of each of ``n`` rows, and the standard deviation of the error of its prediction, both (n,).

    Parameters
    ----------
    n : int
        Rows.
    rho : float
        Correlation of the slow part from one row to the next, from 0 to 1.
    share : float
        Of the variance that is slow, from 0 to 1.

    Returns
    -------
    gains, sizes : float64 arrays, shape (n,)
        Without unit, for noise of variance 1.
    """
    gains, sizes = np.empty(n), np.empty(n)
    left = share  # variance of the slow part that the rows before leave
    for t in range(n):
        total = left + 1.0 - share
        gains[t], sizes[t] = left / total, np.sqrt(total)
        left = rho * rho * left * (1.0 - gains[t]) + share * (1.0 - rho * rho)
    return gains, sizes


@compiled
def whitened(rows: Floats, rho: float, share: float) -> tuple[Floats, float]:
    """Take off each row what the rows before predict of it, in units of the error of that prediction.

    Parameters
    ----------
    rows : float64 array, shape (k, n)
        Each is a series of equally spaced values: load, or a column of the model.
    rho, share : float
        See :class:`StopNoise`.

    Returns
    -------
    rows : float64 array, shape (k, n)
    log_determinant : float
        Of the correlation matrix of the noise.
    """
    k, n = rows.shape
    out = np.empty((k, n))
    gains, sizes = prediction(n, rho, share)
    for i in range(k):
        at = 0.0
        for t in range(n):
            error = rows[i, t] - at
            out[i, t] = error / sizes[t]
            at = rho * (at + gains[t] * error)
    logs = 0.0
    for t in range(n):
        logs += np.log(sizes[t])
    return out, 2.0 * logs


def choose_noise(design: Floats, load: Floats) -> StopNoise:
    """Noise of the greatest restricted likelihood beside a linear model.

    Parameters
    ----------
    design : float64 array, shape (k, n)
        Columns of the model, one a row of the array.
    load : float64 array, shape (n,)
        In order of the way into the stop, in any unit.

    Returns
    -------
    StopNoise
        White where the model leaves nothing.
    """
    k, n = design.shape
    rows = np.vstack([design, load[None, :]])
    best, least = StopNoise(), np.inf
    memories = [m for m in MEMORIES if m <= LONGEST_PART * n]
    for rho, share in [(0.0, 0.0), *((float(np.exp(-1.0 / m)), s) for m in memories for s in SHARES)]:
        white, logs = whitened(rows, rho, share)
        products = white @ white.T
        gram, with_load = products[:k, :k], products[:k, k]
        left = float(products[k, k] - with_load @ np.linalg.lstsq(gram, with_load, rcond=None)[0])
        if not left > 1e-12 * float(products[k, k]):
            return StopNoise()
        found = logs + float(np.linalg.slogdet(gram)[1]) + (n - k) * float(np.log(left))
        if found < least:
            best, least = StopNoise(rho, share), found
    return best
