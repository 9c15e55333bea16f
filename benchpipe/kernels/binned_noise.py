"""Regression on the bins of a history whose noise is not known: slow noise beside white, by restricted likelihood.

The noise of bin averages is a share of a first-order process (correlation exp(−Δt/τ), averaged over each bin)
and a white rest. The average of such a process over bins keeps separable covariances, so each model is
whitened by one pass over the bins, with all models and all columns side by side.

References
----------
H. D. Patterson & R. Thompson, Biometrika 58 (1971) 545: restricted likelihood.
Written from memory; not checked against the paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

Floats = NDArray[np.float64]

SHARES = (1.0, 0.9, 0.75, 0.5, 0.3, 0.15, 0.06, 0.02)
"""Shares of the slow process in the variance of an average bin."""
RATIO = 1.4
SHORTEST = 0.3
"""Shortest correlation time tried, in bin spacings: below it bins look white."""
LONGEST = 0.1
"""Longest correlation time tried, as a part of the history."""


@dataclass(frozen=True)
class BinnedNoiseModels:
    """Noise models of m rows: correlation time [s] (1 where ``share`` is 0) and share of the slow process."""

    tau_s: Floats
    share: Floats


def noise_models(spacing_s: float, span_s: float) -> BinnedNoiseModels:
    """The models that are averaged: white, and all shares at correlation times from ``spacing_s`` on.

    Parameters
    ----------
    spacing_s : float
        From one bin to the next [s], > 0.
    span_s : float
        Length of the history [s].

    Returns
    -------
    BinnedNoiseModels
        The first is white.
    """
    top = max(LONGEST * span_s, spacing_s)
    count = max(2, int(np.ceil(np.log(top / (SHORTEST * spacing_s)) / np.log(RATIO))) + 1)
    taus = np.geomspace(SHORTEST * spacing_s, top, count)
    return BinnedNoiseModels(
        np.concatenate([[1.0], np.repeat(taus, len(SHARES))]),
        np.concatenate([[0.0], np.tile(SHARES, taus.size)]),
    )


def whitened(
    models: BinnedNoiseModels, time_s: Floats, width_s: Floats, weight: Floats, columns: Floats, contrast: Floats
) -> tuple[Floats, Floats, Floats]:
    """Whiten columns under each model.

    Parameters
    ----------
    models : BinnedNoiseModels
        m of them. Their correlation times must not be far below ``width_s``.
    time_s, width_s : float64 arrays, shape (k,)
        Middle and length in time of each bin, which do not overlap.
    weight : float64 array, shape (k,)
        Readings in the bin over those of an average bin: the white part goes with 1/weight.
    columns : float64 array, shape (k, c)
        Of the regression, in any units.
    contrast : float64 array, shape (k,)
        a: what is asked of the bins.

    Returns
    -------
    white : float64 array, shape (m, k, c)
        In the unit of the columns over the standard deviation of the noise of an average bin.
    log_det : float64 array, shape (m,)
        log |C|.
    quadratic : float64 array, shape (m,)
        aᵀ C a of the contrast.

    Notes
    -----
    The average of exp(−|t − t'|/τ) over bins of widths W and W' that do not overlap is
    α α' exp(−Δ/τ), α = sinh(x)/x, x = W/2τ, Δ between the middles; within a bin it is (1 − (1 − e^(−2x))/2x)/x.
    So C = share · α OU αᵀ + diag(nugget) and a Kalman filter with one state gives its Cholesky rows. The
    nugget may be negative, C is positive definite all the same.
    """
    tau, share = models.tau_s[:, None], models.share[:, None]
    x = np.where(share > 0, width_s[None, :] / (2 * tau), 1.0)
    small = x < 1e-3
    x = np.where(small, 1.0, x)
    alpha = np.where(small, 1.0, np.sinh(x) / x)
    within = np.where(small, 1.0, (1 - (1 - np.exp(-2 * x)) / (2 * x)) / x)
    nugget = share * (within - alpha**2) + (1 - share + 1e-6) / weight[None, :]
    decay = np.exp(-np.diff(time_s, append=time_s[-1])[None, :] / tau)
    given = (np.ascontiguousarray(values) for values in (models.share, columns, contrast))
    return _filtered(alpha, nugget, decay, *given)


@compiled
def _filtered(
    alpha: Floats, nugget: Floats, decay: Floats, share: Floats, columns: Floats, contrast: Floats
) -> tuple[Floats, Floats, Floats]:
    """Whitened columns (m, k, c), log |C| and aᵀ C a (m,), by a Kalman filter of one state for each model."""
    m, (k, c) = share.size, columns.shape
    white = np.empty((m, k, c))
    log_det, quadratic = np.zeros(m), np.zeros(m)
    state = np.empty(c)
    for j in range(m):
        state[:] = 0.0
        prior, memory = share[j], 0.0
        for i in range(k):
            a, d = alpha[j, i], decay[j, i]
            total = a * a * prior + nugget[j, i]
            root, gain = np.sqrt(total), a * prior / total
            for q in range(c):
                gap = columns[i, q] - a * state[q]
                white[j, i, q] = gap / root
                state[q] = d * (state[q] + gain * gap)
            prior = d * d * (prior - a * prior * gain) + share[j] * (1 - d * d)
            log_det[j] += np.log(total)
            part = a * contrast[i]
            quadratic[j] += nugget[j, i] * contrast[i] ** 2 + share[j] * part * (part + 2 * memory)
            memory = d * (memory + part)
    return white, log_det, quadratic
