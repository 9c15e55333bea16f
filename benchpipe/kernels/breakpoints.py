"""Find where end stops engage, the range between them, and the backlash.

A stop may be hard or stiffen as it is pressed. A straight line through one that stiffens puts its engagement far
too late (none of 150 intervals held the truth), so the curve is averaged over, too: see
:mod:`benchpipe.kernels.stop_curves`.

References
----------
D. J. Hudson, J. Am. Statist. Assoc. 61 (1966) 1097: fitting joined segments by least squares. J. A. Hoeting,
D. Madigan, A. E. Raftery & C. T. Volinsky, Statist. Sci. 14 (1999) 382: averaging over models.
Written from memory; not checked against the document.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.lines import straight_line, t_quantile
from benchpipe.kernels.stop_curves import StopFits, StopRows, curve_columns, fit_curves
from benchpipe.kernels.stop_noise import StopNoise, choose_noise, whitened

Floats = NDArray[np.float64]
Side = Literal["upper", "lower"]

TRIALS = 40
AVERAGES = 240
"""Averages of the leg, at most."""
FEWEST_BEYOND = 4
"""Rows needed on each side of a breakpoint."""
PLACED = 3
NARROWED, NARROW_ENOUGH = 8, 0.35
"""How often the trial points are laid closer, and the part of them that must count for it to be enough."""
COUNTS = 1e-4
"""Weight of a trial point, of the largest, from which it counts."""
AT_END = 0.02
"""Weight at an end of the leg, of the largest, from which the engagement is not bounded by readings."""
ALIKE = 1.5
"""Of a curve with a line their ratio is not known either, which does not show between the models. By simulation: at 1
the range between two quadratic stops of 1,000 samples covers 86 %, at 1.5 93 %."""
LEAST_EVIDENCE = 5.0
"""By how much the log likelihood of a stop must beat that of none."""


@dataclass(frozen=True)
class BreakpointResult:
    """Motion at which an end stop engages, with its interval at ``coverage``.

    ``free_slope`` is the stiffness before the stop, ``stop_slope`` what the stop adds to it on the way from
    engagement to the largest motion, on average (load/motion); ``load`` the load at the breakpoint. ``hard`` is
    the probability that the stop does not stiffen, ``curve_part`` the part of the position's variance that comes from
    not knowing its curve; ``rho`` the correlation of neighbouring averages' noise; ``dof``
    the degrees of freedom, after it. Not ``converged`` where no stop was reached: too few rows beyond it to bound
    the breakpoint, or a stop that resists less than the free range does.
    """

    position: float
    low: float
    high: float
    load: float
    free_slope: float
    stop_slope: float
    hard: float
    curve_part: float
    s: float
    rho: float
    n_used: int
    dof: float
    coverage: float
    converged: bool


@dataclass(frozen=True)
class SpanResult:
    """A length between two positions (range of motion, backlash) with its interval at ``coverage``.

    ``dof``: degrees of freedom (Welch-Satterthwaite).
    """

    value: float
    low: float
    high: float
    coverage: float
    converged: bool
    dof: float = nan


def end_stop(motion: ArrayLike, load: ArrayLike, side: Side, *, coverage: float = 0.95) -> BreakpointResult:
    """Find where a stop engages that may stiffen: a straight free range, and a rising curve beyond.

    Parameters
    ----------
    motion, load : array_like, shape (n,)
        One leg (one direction) of a sweep into the stop, evenly sampled and in order of time; free range and stop.
    side : {"upper", "lower"}
        Whether the stop is at the largest or the smallest motion.
    coverage : float
        Coverage of the interval: of the engagement, averaged over curves by their likelihood. Equal tails.

    Returns
    -------
    BreakpointResult
        ``position`` is the median.
    """
    sign = 1.0 if side == "upper" else -1.0
    x, y = sign * np.asarray(motion, np.float64), sign * np.asarray(load, np.float64)
    keep = np.isfinite(x) & np.isfinite(y)
    x, y = x[keep], y[keep]
    n = int(x.size)
    none = BreakpointResult(nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, n, nan, coverage, False)
    ordered = np.unique(x)
    if n < 2 * FEWEST_BEYOND + 2 or ordered.size < 2 * FEWEST_BEYOND:
        return none
    rows = StopRows.of(x, y, AVERAGES)
    ends = float(ordered[FEWEST_BEYOND - 1]), float(ordered[-FEWEST_BEYOND])
    fits, noise = _searched(rows, ends)
    if fits is None:
        return none
    tail = 0.5 - 0.5 * coverage
    low, at, high = _quantiles(fits.trials, fits.weights(), (tail, 0.5, 1.0 - tail))
    parts, s = _fit(rows, at, fits.best[1], noise)
    rise = float(parts[2:].sum())
    reach = rows.top - at
    weights = fits.weights()
    bounded = all(fits.trials[k] != ends[k] or weights[k] < AT_END * weights.max() for k in (0, -1))
    engages = rise > max(abs(float(parts[0])), abs(float(parts[1])) * reach)
    outer = sorted((sign * low, sign * high))
    return BreakpointResult(
        position=sign * at,
        low=outer[0],
        high=outer[1],
        load=sign * float(parts[0]),
        free_slope=float(parts[1]),
        stop_slope=rise / reach,
        hard=fits.hard,
        curve_part=fits.curve_part,
        s=s,
        rho=noise.lag1,
        n_used=n,
        dof=fits.dof,
        coverage=coverage,
        converged=bool(fits.evidence > LEAST_EVIDENCE and bounded and engages),
    )


def _searched(rows: StopRows, ends: tuple[float, float]) -> tuple[StopFits | None, StopNoise]:
    """Fits from trial points that lie close enough, under the noise of the best of them."""
    noise = StopNoise()
    trials = coarse = np.linspace(*ends, TRIALS)
    for _ in range(PLACED):  # noise is looked for beside a stop in its place: one beside it leaves slow noise
        fits = fit_curves(rows, trials, noise)
        if not isfinite(fits.evidence):
            return None, noise
        trial, model = fits.best
        trials = np.linspace(trials[max(trial - 1, 0)], trials[min(trial + 1, TRIALS - 1)], TRIALS)
    noise = choose_noise(np.vstack([rows.straight(), _curves(rows, fits.trials[trial], model)]), rows.load)
    trials = coarse
    for _ in range(NARROWED):
        fits = fit_curves(rows, trials, noise)
        if not isfinite(fits.evidence):
            return None, noise
        weights = fits.weights()
        count = np.flatnonzero(weights > COUNTS * weights.max())
        first, last = max(int(count[0]) - 1, 0), min(int(count[-1]) + 1, TRIALS - 1)
        if last - first >= NARROW_ENOUGH * TRIALS:
            break
        trials = np.linspace(trials[first], trials[last], TRIALS)
    return fits, noise


def _curves(rows: StopRows, at: float, model: int) -> Floats:
    return curve_columns(rows.pressed(at), model)


def _fit(rows: StopRows, at: float, model: int, noise: StopNoise) -> tuple[Floats, float]:
    """Load and slope at the breakpoint and what each curve of the stop adds at the end; residual deviation."""
    design = np.vstack([np.ones_like(rows.motion), rows.motion - at, _curves(rows, at, model)])
    white, _ = whitened(np.vstack([design, rows.load[None, :]]), noise.rho, noise.share)
    parts = np.linalg.lstsq(white[:-1].T, white[-1], rcond=None)[0]
    left = white[-1] - parts @ white[:-1]
    return parts, sqrt(float(left @ left) / max(left.size - parts.size - 1, 1))


def _quantiles(at: Floats, weight: Floats, parts: tuple[float, ...]) -> list[float]:
    """Quantiles of a density given at points, straight between them."""
    pieces = 0.5 * (weight[1:] + weight[:-1]) * np.diff(at)
    total = np.append(0.0, np.cumsum(pieces))
    return [float(v) for v in np.interp(np.array(parts) * total[-1], total, at)]


def range_of_motion(lower: BreakpointResult, upper: BreakpointResult) -> SpanResult:
    """Range between the engagements of two end stops.

    Noise of the two is independent. What is not known of the curve errs the same way on both, since stops of one
    joint are alike: half-intervals add with a correlation (JCGM 100:2008, 5.2.2) of ALIKE × the geometric mean of
    their ``curve_part``, 1 at most.

    Parameters
    ----------
    lower, upper : BreakpointResult
        Stops at the smaller and the larger motion [deg or mm].

    Returns
    -------
    SpanResult
        In the unit of the motion; NaN and not ``converged`` where one of the stops was not found.
    """
    if not (lower.converged and upper.converged):
        return SpanResult(nan, nan, nan, upper.coverage, False)
    value = upper.position - lower.position
    alike = min(ALIKE * sqrt(upper.curve_part * lower.curve_part), 1.0)

    def together(one: float, other: float) -> float:
        return sqrt(one**2 + other**2 + 2.0 * alike * one * other)

    down = together(upper.position - upper.low, lower.high - lower.position)
    up = together(upper.high - upper.position, lower.position - lower.low)
    widths = (upper.high - upper.low, lower.high - lower.low)
    dof = _welch_satterthwaite(widths, (upper.dof, lower.dof))
    return SpanResult(value, value - down, value + up, upper.coverage, True, dof)


def _welch_satterthwaite(u: tuple[float, ...], dof: tuple[float, ...]) -> float:
    """Degrees of freedom of a sum of independent errors (JCGM 100:2008, G.4.1)."""
    total = sum(v**2 for v in u)
    return total**2 / sum(v**4 / n for v, n in zip(u, dof, strict=True)) if total > 0 else min(dof)


def backlash(
    motion_pulled: ArrayLike,
    load_pulled: ArrayLike,
    motion_pushed: ArrayLike,
    load_pushed: ArrayLike,
    *,
    coverage: float = 0.95,
) -> SpanResult:
    """Backlash: the gap between two straight branches, each extrapolated to zero load.

    Parameters
    ----------
    motion_pulled, load_pulled, motion_pushed, load_pushed : array_like, shape (n,)
        A branch under positive load and one under negative load (or a loading and an unloading one),
        each in a band of load where it is straight, clear of zero.
    coverage : float
        Coverage of the interval (Welch-Satterthwaite degrees of freedom, correlated rows).

    Returns
    -------
    SpanResult
        Motion; not ``converged`` where a branch is too short.
    """
    lines = [
        straight_line(q, x, correlated=True) for x, q in ((motion_pulled, load_pulled), (motion_pushed, load_pushed))
    ]
    if not all(line.converged for line in lines):
        return SpanResult(nan, nan, nan, coverage, False)
    value = lines[0].intercept - lines[1].intercept
    variances = [line.var_intercept for line in lines]
    total = sum(variances)
    if total <= 0:
        return SpanResult(value, value, value, coverage, True)
    dof = _welch_satterthwaite(tuple(map(sqrt, variances)), tuple(line.dof for line in lines))
    half = t_quantile(coverage, dof) * sqrt(total)
    return SpanResult(value, value - half, value + half, coverage, isfinite(half), dof)
