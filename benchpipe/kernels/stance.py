"""Drift and range of a short stance window: still under a load, or swaying.

The drift is the slope of motion against time by generalised least squares. Its noise (white, and slow with
an exponential memory) is found by restricted maximum likelihood from averages of neighbouring readings, so
that slow noise widens the interval; noise slower than a twentieth of the window cannot be separated from drift.
Where the load moves by more than its noise the motion follows it by the joint's compliance, which is fitted
beside the drift.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.creep_noise import averages_noise
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.nonlinear import whitening
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation, mad_sigma

Floats = NDArray[np.float64]

AVERAGES = 60
"""Averages that the drift is fitted to, at most."""
FROM = 4.0
"""Windows before the first reading that its time is counted from: noise with a memory of up to a twentieth of
the time at the end, a quarter of the window, is looked for."""
FEWEST = 20
"""Readings below which nothing is measured."""
LOAD_MOVES = 10.0
"""Times the noise of its averages that the load must move for the motion to follow it: noise of the load draws the
compliance towards zero, the more where slow noise makes quick changes count."""
QUANTILE_FACTOR = sqrt(2 * 0.025 * 0.975) / 0.0584451
"""Standard error of the range of the middle 95 %, in standard deviations over the root of the number of readings:
√(p(1 − p)/n)/φ(z) for each quantile (M. G. Kendall & A. Stuart, *The Advanced Theory of Statistics* 1, ch. 10;
written from memory, not checked); their correlation of 1/39 is left out."""


@dataclass(frozen=True)
class StanceResult:
    """What a stance window says; NaN where it cannot.

    ``drift`` [motion/s] with its standard error and interval at ``coverage``; ``compliance`` [motion/load]
    is NaN unless it was fitted. ``span`` is the largest less the smallest motion, ``span_95`` the range of
    the middle 95 %.
    """

    drift: float
    drift_error: float
    drift_low: float
    drift_high: float
    compliance: float
    compliance_error: float
    span: float
    span_u: float
    span_95: float
    span_95_u: float
    slow_noise_s: float
    n_used: int
    coverage: float
    converged: bool


def measure_stance(time_s: Floats, motion: Floats, load: Floats, *, coverage: float = 0.95) -> StanceResult:
    """Measure the drift and range of a window.

    Parameters
    ----------
    time_s, motion, load : float64 arrays, shape (n,)
        Readings of the window in order, finite.
    coverage : float
        Coverage of the interval of the drift.

    Returns
    -------
    StanceResult
        Not ``converged`` where there are fewer than 20 readings, or the motion never changes.
    """
    n = int(time_s.size)
    if n < FEWEST or not np.ptp(motion) > 0:
        return StanceResult(nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, n, coverage, False)
    low, high = np.quantile(motion, [0.025, 0.975])
    centred = time_s - time_s[0]
    pieces = [np.array_split(v, min(n, AVERAGES)) for v in (centred, motion, load)]
    t, y, q = (np.array([p.mean() for p in piece]) for piece in pieces)
    count = np.array([p.size for p in pieces[0]], np.float64)
    moves = float(q.std()) > LOAD_MOVES * _noise(load) / sqrt(float(count.mean()))
    design = np.column_stack([np.ones_like(t), t - t.mean(), *([q - q.mean()] if moves else [])])
    found, covariance = averages_noise(t + FROM * centred[-1], y, count, design)
    whiten = whitening(covariance)
    x, v = whiten(design), whiten(y)
    parts = np.linalg.lstsq(x, v, rcond=None)[0]
    dof = t.size - design.shape[1]
    left = v - x @ parts
    errors = np.sqrt(float(left @ left) / dof * np.diag(np.linalg.inv(x.T @ x)))
    half = t_quantile(coverage, dof) * float(errors[1])
    flat = motion - parts[0] - parts[1] * (centred - t.mean())
    flat -= parts[2] * (load - q.mean()) if moves else 0.0
    worth = max(effective_size(n, lag1_autocorrelation(flat)), 1.0)
    span_95 = float(high - low)
    return StanceResult(
        drift=float(parts[1]),
        drift_error=float(errors[1]),
        drift_low=float(parts[1]) - half,
        drift_high=float(parts[1]) + half,
        compliance=float(parts[2]) if parts.size > 2 else nan,
        compliance_error=float(errors[2]) if parts.size > 2 else nan,
        span=float(np.ptp(motion)),
        span_u=sqrt(2.0) * _noise(flat),
        span_95=span_95,
        span_95_u=QUANTILE_FACTOR * float(flat.std()) / sqrt(worth),
        slow_noise_s=found.correlation_s,
        n_used=n,
        coverage=coverage,
        converged=True,
    )


def _noise(values: Floats) -> float:
    """Standard deviation of single readings from their steps; robust, but where most steps are none."""
    steps = np.diff(values)
    return (mad_sigma(steps) or float(steps.std())) / sqrt(2.0)
