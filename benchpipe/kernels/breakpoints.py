"""Where end stops engage, the range between them, and lash.

References
----------
D. J. Hudson, J. Am. Statist. Assoc. 61 (1966) 1097: fitting joined segments by least squares; profile
intervals as in D. M. Bates & D. G. Watts, *Nonlinear Regression Analysis* (Wiley 1988) ch. 6.
[M] from memory, not verified.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite, nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.lines import straight_line, t_quantile
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation

Floats = NDArray[np.float64]
Side = Literal["upper", "lower"]

TRIALS = 400
FEWEST_BEYOND = 4
"""Rows needed on each side of a breakpoint."""


@dataclass(frozen=True)
class BreakpointResult:
    """Motion at which an end stop engages, with its profile interval at ``coverage``.

    ``free_slope`` and ``stop_slope`` are the stiffness before the stop and what it adds at contact
    (load/motion); ``load`` the load at the breakpoint. Not ``converged`` where no stop was reached: too
    few rows beyond it to bound the breakpoint, or a stop that resists less than the free range does.
    """

    position: float
    low: float
    high: float
    load: float
    free_slope: float
    stop_slope: float
    s: float
    rho: float
    n_used: int
    n_effective: float
    coverage: float
    converged: bool


@dataclass(frozen=True)
class SpanResult:
    """A length between two positions (range of motion, lash) with its interval at ``coverage``."""

    value: float
    low: float
    high: float
    coverage: float
    converged: bool


def end_stop(
    motion: ArrayLike, load: ArrayLike, side: Side, *, stiffening: bool = False, coverage: float = 0.95
) -> BreakpointResult:
    """Fit T = a + b·x + k·d (+ k₂·d²) with d the motion beyond the breakpoint, and find it.

    Parameters
    ----------
    motion, load : array_like, shape (n,)
        One leg (one direction) of a sweep into the stop, in order of time; free range and stop.
    side : {"upper", "lower"}
        Whether the stop is at the largest or the smallest motion.
    stiffening : bool
        Let the stop stiffen as it is pressed (a bumper), by the term in d².
    coverage : float
        Coverage of the interval, which holds each breakpoint that the sum of squares, with the
        effective number of rows, does not exclude.

    Returns
    -------
    BreakpointResult
    """
    sign = 1.0 if side == "upper" else -1.0
    x, y = sign * np.asarray(motion, np.float64), sign * np.asarray(load, np.float64)
    keep = np.isfinite(x) & np.isfinite(y)
    x, y = x[keep], y[keep]
    n, p = int(x.size), 5 if stiffening else 4
    none = BreakpointResult(nan, nan, nan, nan, nan, nan, nan, nan, n, nan, coverage, False)
    if n < 2 * FEWEST_BEYOND + 2 or np.unique(x).size < 2 * FEWEST_BEYOND:
        return none
    ordered = np.unique(x)
    trials = np.linspace(ordered[FEWEST_BEYOND - 1], ordered[-FEWEST_BEYOND], TRIALS)
    sums = _Sums.of(x, y, stiffening)
    rss = sums.rss(trials)
    best = _refine(sums, trials, rss)
    parts, least, residual = _fit(x, y, best, stiffening)
    rho = lag1_autocorrelation(residual)
    size = effective_size(n, rho)
    dof = max(size - p, 1.0)
    allowed = least * (1 + t_quantile(coverage, dof) ** 2 / dof)
    low, high = _profile(sums, trials, rss, best, allowed)
    straight = straight_line(x, y)
    flat = straight.s**2 * straight.dof  # no stop at all
    bounded = trials[0] < min(low, best) and max(high, best) < trials[-1]
    ends = sorted((sign * low, sign * high))
    return BreakpointResult(
        position=sign * best,
        low=ends[0],
        high=ends[1],
        load=sign * float(parts[0]),
        free_slope=float(parts[1]),
        stop_slope=float(parts[2]),
        s=sqrt(least / max(n - p, 1)),
        rho=rho,
        n_used=n,
        n_effective=size,
        coverage=coverage,
        converged=bool(flat > allowed and _engages(x, parts, best) and bounded),
    )


def _fit(x: Floats, y: Floats, at: float, stiffening: bool) -> tuple[Floats, float, Floats]:
    """Best amplitudes (load and slope at the breakpoint, what the stop adds) at one breakpoint."""
    beyond = np.maximum(x - at, 0.0)
    columns = np.column_stack([np.ones_like(x), x - at, beyond, *([beyond**2] if stiffening else [])])
    parts = np.linalg.lstsq(columns, y, rcond=None)[0]
    residual = y - columns @ parts
    return parts, float(residual @ residual), residual


def _engages(x: Floats, parts: Floats, at: float) -> bool:
    """Whether the load beyond rises by more than what the free range resists: a stop, and no bend of it."""
    reach = float(x.max()) - at
    rise = parts[2] * reach + (parts[3] * reach**2 if parts.size > 3 else 0.0)
    return bool(rise > max(abs(float(parts[0])), abs(float(parts[1])) * reach))


@dataclass(frozen=True, eq=False)
class _Sums:
    """Sums over the rows from each one on, in order of x: a trial costs the same however many rows there are.

    x and y are centred and scaled to keep the digits; ``powers`` holds sums of x^0 … x^4, ``with_y`` of
    y, xy and x²y.
    """

    x: Floats
    centre: float
    scale: float
    powers: Floats
    with_y: Floats
    total: float
    terms: int

    @staticmethod
    def of(x: Floats, y: Floats, stiffening: bool) -> _Sums:
        order = np.argsort(x, kind="stable")
        centre, scale = float(x.mean()), float(np.ptp(x)) / 2
        u, v = (x[order] - centre) / scale, y[order] - y.mean()
        powers = np.stack([u**k for k in range(5)])
        with_y = np.stack([v * u**k for k in range(3)])
        ends = [np.append(np.cumsum(a[:, ::-1], axis=1)[:, ::-1], np.zeros((len(a), 1)), 1) for a in (powers, with_y)]
        return _Sums(u, centre, scale, ends[0], ends[1], float(v @ v), 4 if stiffening else 3)

    def rss(self, at: ArrayLike) -> Floats:
        """Least sum of squares with a breakpoint at each place: the terms beyond, what the line takes of them off."""
        c = (np.asarray(at, np.float64) - self.centre) / self.scale
        first = np.searchsorted(self.x, c, "right")
        p, q = self.powers[:, first], self.with_y[:, first]  # sums over the rows beyond
        n, sx, sxx = self.powers[:3, 0]
        mean = sx / n
        sy, sxy = self.with_y[0, 0], self.with_y[1, 0] - mean * self.with_y[0, 0]
        sxx = sxx - mean * sx
        d1, d2 = p[1] - c * p[0], p[2] - 2 * c * p[1] + c * c * p[0]  # Σd, Σd²
        along = p[2] - c * p[1] - mean * d1  # Σ(x − x̄)d
        own = np.asarray(d2 - d1**2 / n - along**2 / sxx)
        left = q[1] - c * q[0] - d1 * sy / n - along * sxy / sxx
        line = self.total - sy**2 / n - sxy**2 / sxx
        tiny = 1e-12 * self.powers[2, 0]
        gain = np.where(own > tiny, left**2 / np.maximum(own, tiny), 0.0)
        if self.terms == 4:
            d3 = p[3] - 3 * c * p[2] + 3 * c * c * p[1] - c**3 * p[0]
            d4 = p[4] - 4 * c * p[3] + 6 * c * c * p[2] - 4 * c**3 * p[1] + c**4 * p[0]
            along2 = p[3] - 2 * c * p[2] + c * c * p[1] - mean * d2
            with_y2 = q[2] - 2 * c * q[1] + c * c * q[0]
            both = d3 - d1 * d2 / n - along * along2 / sxx
            own2 = d4 - d2**2 / n - along2**2 / sxx - both**2 / np.maximum(own, tiny)
            left2 = with_y2 - d2 * sy / n - along2 * sxy / sxx - both * left / np.maximum(own, tiny)
            gain = gain + np.where(own2 > tiny**2, left2**2 / np.maximum(own2, tiny**2), 0.0)
        return np.asarray(np.maximum(line - gain, 0.0))


def _refine(sums: _Sums, trials: Floats, rss: Floats) -> float:
    """Breakpoint of least squares, between the neighbours of the best trial."""
    from scipy.optimize import minimize_scalar

    k = int(np.argmin(rss))
    found = minimize_scalar(
        lambda at: float(sums.rss(at)),
        bounds=(trials[max(k - 1, 0)], trials[min(k + 1, trials.size - 1)]),
        method="bounded",
        options={"xatol": 1e-6 * float(trials[1] - trials[0])},
    )
    return float(found.x if found.fun <= rss[k] else trials[k])


def _profile(sums: _Sums, trials: Floats, rss: Floats, best: float, allowed: float) -> tuple[float, float]:
    """Ends of the breakpoints whose sum of squares is allowed, found between trials by bisection."""
    inside = np.append(trials[rss <= allowed], best)

    def edge(good: float, bad: float) -> float:
        for _ in range(30):
            middle = (good + bad) / 2
            if sums.rss(middle) <= allowed:
                good = middle
            else:
                bad = middle
        return good

    step = float(trials[1] - trials[0])
    low, high = float(inside.min()), float(inside.max())
    low = edge(low, low - step) if low - step > trials[0] else float(trials[0])
    high = edge(high, high + step) if high + step < trials[-1] else float(trials[-1])
    return low, high


def range_of_motion(lower: BreakpointResult, upper: BreakpointResult) -> SpanResult:
    """Range between the engagements of two end stops; half-intervals add as independent errors."""
    if not (lower.converged and upper.converged):
        return SpanResult(nan, nan, nan, upper.coverage, False)
    value = upper.position - lower.position
    down = hypot(upper.position - upper.low, lower.high - lower.position)
    up = hypot(upper.high - upper.position, lower.position - lower.low)
    return SpanResult(value, value - down, value + up, upper.coverage, True)


def lash(
    motion_pulled: ArrayLike,
    load_pulled: ArrayLike,
    motion_pushed: ArrayLike,
    load_pushed: ArrayLike,
    *,
    coverage: float = 0.95,
) -> SpanResult:
    """Lash: the gap between two straight branches, each extrapolated to zero load.

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
    dof = total**2 / sum(v**2 / line.dof for v, line in zip(variances, lines, strict=True))
    half = t_quantile(coverage, dof) * sqrt(total)
    return SpanResult(value, value - half, value + half, coverage, isfinite(half))
