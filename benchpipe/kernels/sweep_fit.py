"""Free-mode resistance split into Coulomb, laminar and orifice parts, for each direction.

Resistance against speed ω is T = T_c sgn ω + c₁ω + c₂ω|ω| with parts that cannot be negative: dry
friction, flow through gaps (falls with the oil's viscosity as it warms) and flow through orifices
(barely notices). Written from memory; not checked against a document.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation

Floats = NDArray[np.float64]

FASTEST_THINNING = 0.2
"""Largest relative fall of the laminar part per kelvin that is tried; mineral oils: about 0.05."""
LEAST_TEMPERATURE_RANGE = 3.0
"""Range of temperature [K] below which thinning is not sought."""


@dataclass(frozen=True)
class ResistancePart:
    """One coefficient, not negative, with its interval; ``low`` is 0 where the data do not need it.

    The standard error is that of the unconstrained fit, infinite where the speeds do not separate it
    from the other parts.
    """

    value: float
    standard_error: float
    low: float
    high: float

    @property
    def told_from_zero(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.low > 0


@dataclass(frozen=True)
class DirectionResult:
    """Parts of the resistance in one direction.

    ``coulomb`` in the unit of load, ``laminar`` in load/(motion/s) at the reference temperature,
    ``orifice`` in load/(motion/s)².
    """

    coulomb: ResistancePart
    laminar: ResistancePart
    orifice: ResistancePart
    n_used: int

    def resistance(self, speed: ArrayLike, viscosity: ArrayLike = 1.0) -> Floats:
        """Size of the resistance at a speed (its size counts) and relative viscosity."""
        w = np.abs(np.asarray(speed, np.float64))
        laminar = self.laminar.value * np.asarray(viscosity, np.float64) * w
        return np.asarray(self.coulomb.value + laminar + self.orifice.value * w**2)


@dataclass(frozen=True)
class ResistanceResult:
    """Resistance of the free mode in both directions, one fit over all speeds and temperatures.

    ``thinning`` is the relative fall of the laminar part per kelvin, common to both directions: 0 and
    not ``thinning_fitted`` where the temperatures span too little. ``s`` is the residual standard
    deviation; ``n_effective`` what correlation leaves of ``n_used``; ``n_dropped`` are rows in the dead
    band or not finite.
    """

    rising: DirectionResult
    falling: DirectionResult
    thinning: float
    thinning_low: float
    thinning_high: float
    thinning_fitted: bool
    reference_c: float
    s: float
    rho: float
    n_used: int
    n_dropped: int
    n_effective: float
    coverage: float
    converged: bool

    def viscosity(self, temperature_c: ArrayLike) -> Floats:
        """Relative viscosity exp(−thinning·(T − reference)) that scales the laminar part."""
        return np.asarray(np.exp(-self.thinning * (np.asarray(temperature_c, np.float64) - self.reference_c)))


def local_speed(time_s: ArrayLike, motion: ArrayLike, half_width: int = 5) -> Floats:
    """Speed from the motion ``half_width`` samples before and after; NaN at both ends.

    Parameters
    ----------
    time_s, motion : array_like, shape (n,)
        Rising times [s], and angle [deg] or displacement [mm].
    half_width : int
        Samples to each side: wide enough that noise of the motion is small against the dead band.

    Returns
    -------
    ndarray, shape (n,), motion/s
    """
    t, x = np.asarray(time_s, np.float64), np.asarray(motion, np.float64)
    speed, h = np.full(t.size, nan), half_width
    if t.size > 2 * h:
        speed[h : t.size - h] = (x[2 * h :] - x[: -2 * h]) / (t[2 * h :] - t[: -2 * h])
    return speed


def fit_resistance(
    speed: ArrayLike,
    load: ArrayLike,
    *,
    dead_band: float,
    temperature_c: ArrayLike | None = None,
    reference_c: float | None = None,
    coverage: float = 0.95,
) -> ResistanceResult:
    """Split resistance into its parts by least squares with no part below zero.

    Parameters
    ----------
    speed : array_like, shape (n,), motion/s
        See :func:`local_speed`; rows with NaN are left out.
    load : array_like, shape (n,)
        Load that the rig applies, zero taken off: positive while motion rises against resistance.
        Rows clear of the end stops, in order of time.
    dead_band : float
        Rows with |speed| at or below this are left out.
    temperature_c : array_like, shape (n,), optional
        With a range of 3 K or more, thinning is fitted too.
    reference_c : float, optional
        Temperature that ``laminar`` stands for; the mean where not given.
    coverage : float
        Coverage of every interval.

    Returns
    -------
    ResistanceResult
        ``converged`` is False where a direction has too few rows.
    """
    w, q = np.asarray(speed, np.float64), np.asarray(load, np.float64)
    warm = np.zeros(w.size) if temperature_c is None else np.asarray(temperature_c, np.float64)
    with np.errstate(invalid="ignore"):
        keep = np.isfinite(w) & np.isfinite(q) & np.isfinite(warm) & (np.abs(w) > dead_band)
    w, q, warm = w[keep], q[keep], warm[keep]
    dropped = int(keep.size - w.size)
    reference = nan if temperature_c is None else float(warm.mean()) if w.size else nan
    reference = reference if reference_c is None else reference_c
    rows = (int(np.sum(w > 0)), int(np.sum(w < 0)))
    if min(rows) < 4:
        part = ResistancePart(nan, nan, nan, nan)
        up, down = (DirectionResult(part, part, part, n) for n in rows)
        return ResistanceResult(
            up, down, nan, nan, nan, False, reference, nan, nan, int(w.size), dropped, nan, coverage, False
        )
    above = warm - reference if temperature_c is not None else warm
    sought = float(np.ptp(above)) >= LEAST_TEMPERATURE_RANGE
    thinning = _thinning(w, q, above) if sought else 0.0
    columns = _columns(w, np.exp(-thinning * above))
    parts, rss = _nonnegative(columns, q)
    residual = q - columns @ parts
    tangent = np.column_stack([columns, _by_thinning(columns, parts, above)]) if sought else columns
    rho = lag1_autocorrelation(residual)
    size = effective_size(w.size, rho)
    dof = max(size - tangent.shape[1], 1.0)
    reach = t_quantile(coverage, dof)
    error = _standard_errors(tangent, rss / dof)
    split = [
        ResistancePart(v, u, max(v - reach * u, 0.0), v + reach * u) for v, u in zip(parts, error[:6], strict=True)
    ]
    half = reach * float(error[6]) if sought else nan
    return ResistanceResult(
        rising=DirectionResult(split[0], split[1], split[2], rows[0]),
        falling=DirectionResult(split[3], split[4], split[5], rows[1]),
        thinning=thinning,
        thinning_low=thinning - half,
        thinning_high=thinning + half,
        thinning_fitted=sought,
        reference_c=reference,
        s=float(np.sqrt(rss / max(w.size - tangent.shape[1], 1))),
        rho=rho,
        n_used=int(w.size),
        n_dropped=dropped,
        n_effective=size,
        coverage=coverage,
        converged=isfinite(rss),
    )


def _columns(w: Floats, viscosity: Floats) -> Floats:
    """Coulomb, laminar and orifice columns of the rising, then of the falling direction, shape (n, 6)."""
    one = np.column_stack([np.sign(w), viscosity * w, w * np.abs(w)])
    return np.column_stack([one * (w > 0)[:, None], one * (w < 0)[:, None]])


def _by_thinning(columns: Floats, parts: Floats, above: Floats) -> Floats:
    """Derivative of the resistance by the thinning."""
    return np.asarray(-above * (columns[:, [1, 4]] @ parts[[1, 4]]))


def _nonnegative(columns: Floats, load: Floats) -> tuple[Floats, float]:
    """Least squares with no part below zero, on columns of unit length; parts and sum of squares."""
    from scipy.optimize import nnls

    size = np.sqrt(np.sum(columns**2, axis=0))
    size[size == 0] = 1.0
    q, r = np.linalg.qr(columns / size)  # 6 rows in place of n: the same minimum
    scaled, _ = nnls(r, q.T @ load)
    parts = scaled / size
    left = load - columns @ parts
    return parts, float(left @ left)


def _thinning(w: Floats, q: Floats, above: Floats) -> float:
    """Thinning of least squares, between none and the fastest tried."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda k: _nonnegative(_columns(w, np.exp(-k * above)), q)[1],
        bounds=(0.0, FASTEST_THINNING),
        method="bounded",
        options={"xatol": 1e-7},
    )
    return float(found.x)


def _standard_errors(tangent: Floats, variance: float) -> Floats:
    """Standard errors of the unconstrained fit; infinite for what the rows do not separate."""
    size = np.sqrt(np.sum(tangent**2, axis=0))
    size[size == 0] = 1.0
    _, singular, turn = np.linalg.svd(tangent / size, full_matrices=False)
    seen = singular > 1e-9 * singular[0]
    error = np.sqrt(variance * np.sum((turn[seen] / singular[seen, None]) ** 2, axis=0)) / size
    hidden = np.sqrt(np.sum(turn[~seen] ** 2, axis=0)) > 1e-6
    return np.where(hidden, inf, error)


@dataclass(frozen=True)
class BreakawayResult:
    """Resistance that had to be overcome to start moving, and where it was met."""

    load: float
    motion: float
    n_used: int


def breakaway(motion: ArrayLike, load: ArrayLike, *, within: float, smooth: int = 5) -> BreakawayResult:
    """Largest resistance while the first ``within`` of motion is travelled from standstill.

    Parameters
    ----------
    motion, load : array_like, shape (n,)
        One leg from standstill on, in order of time; the load is positive while motion rises.
    within : float
        Motion from the start in which breaking away is over.
    smooth : int
        Odd number of samples whose running median is taken, so that no single spike counts.

    Returns
    -------
    BreakawayResult
        Size of the load; NaN where the leg does not move or is shorter than ``smooth``.
    """
    x, q = np.asarray(motion, np.float64), np.asarray(load, np.float64)
    keep = np.isfinite(x) & np.isfinite(q)
    x, q = x[keep], q[keep]
    moved = np.flatnonzero(np.abs(x - x[0]) >= within) if x.size else np.zeros(0, np.intp)
    if not moved.size or moved[0] + 1 < smooth:
        return BreakawayResult(nan, nan, int(x.size))
    last = int(moved[0]) + 1
    sign = 1.0 if x[last - 1] > x[0] else -1.0
    level = np.median(np.lib.stride_tricks.sliding_window_view(sign * q[:last], smooth), axis=1)
    k = int(np.argmax(level))
    return BreakawayResult(float(level[k]), float(x[k + smooth // 2]), last)
