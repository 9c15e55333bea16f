"""Standard uncertainty of the mean, the median or one reading of a window, from the noise of its whole block.

Two sources are joined. The models of the block's noise (`noise_model`) give how far a window's error goes beyond
the block; the spread of all windows of that length in the block gives how far its statistic scatters,
whatever the distribution of the noise. Simulated coverage: ``tests/benchmarks/window_coverage.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.noise_curve import take_curve_off
from benchpipe.kernels.noise_mixture import Statistic, mean_covariance, mean_factor, mixture_u, statistic_factor
from benchpipe.kernels.noise_model import FEWEST_READINGS, Floats, NoiseFit
from benchpipe.kernels.steps import find_steps, without_steps

FEWEST_KNOWN = 100
"""Readings of a block whose noise is known."""
WINDOWS_IN_BLOCK = 20
"""A window of which the block holds so many is compared with the others."""
WINDOWS_IN_PIECE = 4
"""A window is at most such a part of a piece of the curve, which takes slower noise off."""
MOST_WINDOWS = 400
MOST_READINGS = 100_000
"""Short windows are looked at until this many readings were."""
NEAR = (25, 50, 100)
"""Readings up to the end of a window, at least, whose scatter is compared with the block's: the loudest count."""
SURE = 0.95
"""Probability from which they scatter more than the block's do."""
LEAST_RATIO, MOST_RATIO = 0.2, 2.0
"""Range of the observed spread of windows over the expected one."""


@dataclass(frozen=True)
class StandardU:
    """Standard uncertainty of one figure.

    ``u`` is in the unit of the figure, NaN where nothing can be said. ``dof``: degrees of freedom, such that Student's
    factor for them times ``u`` is the half-width of its interval. ``known`` is false where the block does not show
    its noise; ``u`` then is the best guess and ``why`` says in words what is missing (empty where known).
    ``n_effective``: independent readings that the window is worth.
    """

    u: float
    dof: float
    known: bool
    why: str
    n_effective: float


@dataclass(frozen=True, eq=False)
class BlockNoise:
    """Noise of one block of readings.

    ``size`` counts the finite readings. For reports: ``tau`` [cycles] is of the likeliest noise (it means little where
    nearly all is white), ``white_share`` of the variance the mean over all (NaN where not fitted).
    ``trend_removed``: wear was taken off as a curve of ``curve_columns`` pieces; ``readings``, shape (size,), are
    what is left. ``fit`` is None where there are too few readings or where they do not vary.
    """

    size: int
    tau: float
    white_share: float
    trend_removed: bool
    curve_columns: int
    readings: Floats
    fit: NoiseFit | None


def fit_block_noise(values: ArrayLike) -> BlockNoise:
    """Measure the noise of a block.

    Parameters
    ----------
    values : array_like, shape (N,)
        One reading a cycle, in order. Those that are not finite are left out and their neighbours closed up. Plain
        steps are taken off: a specimen that comes loose is no noise.

    Returns
    -------
    BlockNoise
        ``fit`` is None, and ``tau`` and ``white_share`` NaN, with fewer than `FEWEST_READINGS` readings or where they
        do not vary.
    """
    v = np.asarray(values, np.float64)
    finite = np.isfinite(v)
    v = v if finite.all() else v[finite]
    v = without_steps(v, find_steps(v))
    if v.size < FEWEST_READINGS or not _varies(v):
        return BlockNoise(v.size, nan, nan, False, 0, v - v.mean() if v.size else v, None)
    readings, fit, columns = take_curve_off(v)
    tau = float(fit.models.tau[np.argmax(fit.weight)])
    white = float(fit.weight @ ((1 - fit.models.flicker) * (1 - fit.models.share)))
    return BlockNoise(v.size, tau, white, columns > 0, columns, readings, fit)


def window_u(noise: BlockNoise, n: int, statistic: Statistic, first: int | None = None) -> StandardU:
    """Standard uncertainty of the mean or median of n consecutive readings of the block; n = 1 is one reading.

    Parameters
    ----------
    noise : BlockNoise
    n : int
        Finite readings in the window, 1 … N.
    statistic : "mean" or "median"
    first : int, optional
        Place of the window's first reading: where the readings about it scatter more than the block's, so does it.

    Returns
    -------
    StandardU
        ``u`` in the unit of the readings; NaN for a window that is empty or longer than the block.
    """
    if not 1 <= n <= noise.size:
        return StandardU(nan, nan, False, f"a window of {n} cycles in a block of {noise.size} with a value", nan)
    if noise.fit is None:
        return _without_fit(noise, n)
    fit = noise.fit
    factor = statistic_factor(fit.models, n, statistic)
    ratio, dof = _observed(noise, n, statistic)
    u, nu = mixture_u(fit, factor * ratio * _louder(noise, first, n), dof)
    worth = float(fit.weight @ fit.variance) / float(fit.weight @ (fit.variance * mean_factor(fit.models, n)))
    known, why = _known(noise)
    return StandardU(u, nu, known, why, min(worth, float(n)))


def reading_u(noise: BlockNoise, first: int | None = None, n: int = 1) -> StandardU:
    """Standard uncertainty of one reading, for bounds on the largest or smallest of many.

    It is the scatter of the readings about the block's curve. Scatter of the true values is in it, which keeps
    both bounds (only wider).

    Parameters
    ----------
    noise : BlockNoise
    first, n : int, optional
        Place of the first of the readings, and how many they are: as for :func:`window_u`.

    Returns
    -------
    StandardU
        ``u`` in the unit of the readings.
    """
    one = window_u(noise, 1, "mean")
    return replace(one, u=one.u * sqrt(_louder(noise, first, n)))


def change_u(
    noise: BlockNoise,
    base_first: int,
    base_n: int,
    window_first: int,
    window_n: int,
    statistic: Statistic,
    base_value: float,
    window_value: float,
) -> StandardU:
    """Standard uncertainty of window/base − 1, for two windows of one block.

    Parameters
    ----------
    noise : BlockNoise
    base_first, base_n, window_first, window_n : int
        Places among the finite readings; the windows may touch or overlap.
    statistic : "mean" or "median"
    base_value, window_value : float
        The two figures. To first order u² = (1/b)² u_w² + (w/b²)² u_b² − 2 (w/b³) cov (GUM 5.2.2).

    Returns
    -------
    StandardU
        ``u`` is relative to the base, without unit; NaN where the base is zero, or a figure or its uncertainty is not
        finite.
    """
    base, window = window_u(noise, base_n, statistic), window_u(noise, window_n, statistic)
    if not (np.isfinite(base.u + window.u) and np.isfinite(base_value + window_value) and base_value != 0):
        why = base.why or window.why or "no change without a base"
        return StandardU(nan, nan, False, why, nan)
    by_window, by_base = 1 / base_value, -window_value / base_value**2
    if noise.fit is None:
        u = float(np.hypot(by_window * window.u, by_base * base.u))
        return StandardU(u, min(base.dof, window.dof), base.known, base.why, window.n_effective)
    fit = noise.fit
    ratio_b, dof_b = _observed(noise, base_n, statistic)
    ratio_w, dof_w = _observed(noise, window_n, statistic)
    of_base = statistic_factor(fit.models, base_n, statistic) * ratio_b * _louder(noise, base_first, base_n)
    of_window = statistic_factor(fit.models, window_n, statistic) * ratio_w * _louder(noise, window_first, window_n)
    apart = mean_factor(fit.models, base_n) * mean_factor(fit.models, window_n)
    together = mean_covariance(fit.models, base_first, base_n, window_first, window_n) / np.sqrt(apart)
    shared = together * np.sqrt(of_base * of_window)
    factor = by_window**2 * of_window + by_base**2 * of_base + 2 * by_window * by_base * shared
    u, nu = mixture_u(fit, np.maximum(factor, 0.0), min(dof_b, dof_w))
    return StandardU(u, nu, window.known, window.why, window.n_effective)


def _varies(v: Floats) -> bool:
    """Whether readings differ by more than the rounding of a double."""
    return bool(np.ptp(v) > 1e-12 * np.max(np.abs(v)))


def _known(noise: BlockNoise) -> tuple[bool, str]:
    if noise.size >= FEWEST_KNOWN:
        return True, ""
    return False, f"the block has {noise.size} cycles: too few to know its slow noise ({FEWEST_KNOWN} asked for)"


def _without_fit(noise: BlockNoise, n: int) -> StandardU:
    """Few readings: the scatter of one, however many a window has, since slow noise does not average out."""
    known, why = _known(noise)
    if noise.size < 2:
        return StandardU(nan, nan, False, why, nan)
    if not _varies(noise.readings) or float(np.ptp(noise.readings)) == 0:
        return StandardU(0.0, inf, known, why, float(n))
    return StandardU(float(np.std(noise.readings, ddof=1)), noise.size - 1.0, known, why, 1.0)


def _louder(noise: BlockNoise, first: int | None, n: int) -> float:
    """Variance of the readings about a window over the block's, from their differences; 1 where not surely more.

    Slow noise and wear are not in a difference. The mean square of the differences of n white readings has a relative
    variance of 3/n: two thirds of n degrees of freedom (J. von Neumann, Ann. Math. Statist. 12, 367; from memory).
    """
    from scipy.special import fdtri

    if first is None or noise.fit is None:
        return 1.0
    squares = np.diff(noise.readings) ** 2
    found = [1.0]
    for near in sorted({max(n, one) for one in NEAR}):
        if noise.size >= 2 * near:
            end = min(max(first + n, near), noise.size)
            ratio = float(np.mean(squares[end - near : end - 1]) / np.mean(squares))
            sure = float(fdtri((near - 1) * 2 / 3, squares.size * 2 / 3, SURE))
            found.append(ratio if ratio > sure else 1.0)
    return max(found)


def _observed(noise: BlockNoise, n: int, statistic: Statistic) -> tuple[float, float]:
    """Observed over expected variance of windows about the block's own figure, and degrees of freedom.

    Windows longer than a twentieth of the block are too few. For medians the ratio of windows of a twentieth is used
    then, where it is below 1: it is that of the distribution.
    """
    fit, size, columns = noise.fit, noise.size, noise.curve_columns
    most = size // max(WINDOWS_IN_BLOCK, WINDOWS_IN_PIECE * columns)
    ordinates = 2.0 * (fit.ordinates if fit else 1)
    length = min(n, most)
    if fit is None or length < 1 or (n > most and (statistic == "mean" or length < 3)):
        return 1.0, ordinates
    starts = _starts(size, length)
    centre = float(np.mean(noise.readings) if statistic == "mean" else np.median(noise.readings))
    figures = _figures(noise.readings, starts, length, statistic)
    found = float(np.mean((figures - centre) ** 2))
    within = statistic_factor(fit.models, length, statistic) - (1 + columns) * mean_factor(fit.models, size)
    whole = statistic_factor(fit.models, length, statistic)
    expected = float(fit.weight @ (fit.variance * np.maximum(within, 0.05 * whole)))
    ratio = float(np.clip(found / expected, LEAST_RATIO, MOST_RATIO))
    if n > most:
        return min(ratio, 1.0), ordinates
    return ratio, max(2.0, min(1.5 * (size / n - 1) - columns, 0.7 * starts.size, ordinates))


def _starts(size: int, length: int) -> NDArray[np.intp]:
    """First places of the windows that are looked at, at least a quarter of a window apart."""
    last = size - length
    starts = np.arange(0, last + 1, max(1, length // 4))
    kept = max(MOST_WINDOWS, MOST_READINGS // length)
    return starts if starts.size <= kept else np.linspace(0, last, kept).astype(np.intp)


def _figures(readings: Floats, starts: NDArray[np.intp], length: int, statistic: Statistic) -> Floats:
    """Mean or median of each window, shape (windows,); of windows of one reading all are taken."""
    if length == 1:
        return readings
    take = np.mean if statistic == "mean" else np.median
    if length > 256:
        return np.array([take(readings[i : i + length]) for i in starts.tolist()])
    return np.asarray(take(np.lib.stride_tricks.sliding_window_view(readings, length)[starts], axis=1))
