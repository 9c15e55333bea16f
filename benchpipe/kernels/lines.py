"""Straight lines with honest bands.

A row where x, y or the weight is not finite, or the weight is not positive, is left out.
Too few rows give a result with ``converged = False`` and NaN figures, never an exception.

References
----------
M. G. Natrella, *Experimental Statistics*, NBS Handbook 91 (1963), chapter 5: the line, its
variances and the variance of a new reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.robust import effective_size, lag1_autocorrelation

Floats = NDArray[np.float64]


def t_quantile(coverage: float, dof: float) -> float:
    """Half-width factor of a two-sided Student interval.

    Parameters
    ----------
    coverage : float
        Fraction covered, between 0 and 1.
    dof : float
        Degrees of freedom; NaN is returned where it is not positive.

    Returns
    -------
    float
        Without unit; NaN where ``dof`` is not positive.
    """
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + coverage / 2)) if dof > 0 else nan


@dataclass(frozen=True)
class Crossing:
    """Where a line meets a limit: the position, and the interval got by inverting the line's band.

    ``high`` is infinite where the data do not exclude that the limit is never met, and so is
    ``at`` where the line runs away from the limit. Fieller's interval; ``coverage`` as the line's.
    """

    at: float
    low: float
    high: float
    coverage: float


@dataclass(frozen=True)
class LineResult:
    """A straight line y = intercept + slope·x.

    ``s`` is the residual standard deviation of a reading of weight 1; ``var_mean`` the variance of
    the line at ``x_mean``, where it is uncorrelated with the slope; ``rho`` the lag-1
    autocorrelation of the residuals in the order given; ``n_effective`` what is left of ``n_used``
    after it (equal to ``n_used`` unless ``correlated`` was asked). Units are those of y, x.
    """

    slope: float
    intercept: float
    s: float
    var_slope: float
    var_intercept: float
    cov_intercept_slope: float
    x_mean: float
    y_mean: float
    var_mean: float
    rho: float
    n_used: int
    n_effective: float
    dof: float
    coverage: float
    converged: bool

    @property
    def covariance(self) -> Floats:
        """Covariance of (intercept, slope), shape (2, 2)."""
        c = self.cov_intercept_slope
        return np.array([[self.var_intercept, c], [c, self.var_slope]])

    @property
    def slope_interval(self) -> tuple[float, float]:
        """Student interval of the slope at ``coverage``."""
        half = t_quantile(self.coverage, self.dof) * sqrt(self.var_slope)
        return self.slope - half, self.slope + half

    def predict(self, x: ArrayLike) -> Floats:
        """Value of the line at x."""
        return self.y_mean + self.slope * (np.asarray(x, float) - self.x_mean)

    def se_line(self, x: ArrayLike) -> Floats:
        """Standard error of the line at x (Natrella §5-4.1.2.1)."""
        return np.sqrt(self.var_mean + self.var_slope * (np.asarray(x, float) - self.x_mean) ** 2)

    def se_reading(self, x: ArrayLike, weight: float = 1.0) -> Floats:
        """Standard error of a new single reading at x (Natrella §5-4.1.2.2)."""
        return np.sqrt(self.s**2 / weight + self.se_line(x) ** 2)

    def interval(self, x: ArrayLike, *, reading: bool = False) -> tuple[Floats, Floats]:
        """Low and high end of the line (or of a new reading) at x, at ``coverage``."""
        half = t_quantile(self.coverage, self.dof) * (self.se_reading(x) if reading else self.se_line(x))
        return self.predict(x) - half, self.predict(x) + half

    def crossing(self, limit: float, after: float = -inf) -> Crossing:
        """Where the line meets ``limit`` at or beyond ``after``, with the inverted band.

        The interval holds each x whose band holds the limit: (ŷ(x) − limit)² ≤ t²·var(x), a quadratic
        in x (Fieller 1954, J. R. Statist. Soc. B 16:175).
        """
        factor = t_quantile(self.coverage, self.dof) ** 2
        gap = self.y_mean - limit
        if not (self.converged and isfinite(gap + factor)):
            return Crossing(nan, nan, nan, self.coverage)
        at = self.x_mean - gap / self.slope if self.slope else inf
        a = self.slope**2 - factor * self.var_slope
        b = gap * self.slope
        root = b * b - a * (gap**2 - factor * self.var_mean)
        if a == 0 or root < 0:
            ends = (inf, -inf)
        else:
            centre, reach = self.x_mean - b / a, sqrt(root) / abs(a)
            ends = (centre - reach, centre + reach)
        if a > 0:
            low, high = (max(ends[0], after), ends[1]) if ends[1] >= after else (inf, inf)
        else:  # slope not distinguishable from zero: the band holds the limit outside the ends, or everywhere
            low, high = (ends[1] if ends[0] < after < ends[1] else after), inf
        return Crossing(at if at >= after else inf, low, high, self.coverage)


def usable_rows(x: ArrayLike, y: ArrayLike, weight: ArrayLike | None) -> tuple[Floats, Floats, Floats]:
    """Return finite rows of x, y and weight as float64.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        In any unit.
    weight : array_like, shape (n,), or None
        None: all 1.

    Returns
    -------
    x, y, weight : float64 arrays, shape (m,)
        Rows where all three are finite and the weight is above zero, in order.
    """
    x, y = np.asarray(x, np.float64).ravel(), np.asarray(y, np.float64).ravel()
    w = np.ones_like(x) if weight is None else np.asarray(weight, np.float64).ravel()
    keep = np.isfinite(x) & np.isfinite(y) & np.isfinite(w) & (w > 0)
    return x[keep], y[keep], w[keep]


def straight_line(
    x: ArrayLike,
    y: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    coverage: float = 0.95,
    correlated: bool = False,
) -> LineResult:
    """Fit a straight line by (weighted) least squares.

    Parameters
    ----------
    x, y : array_like, shape (n,), float64
        Each in any unit.
    weight : array_like, shape (n,), optional
        Inverse relative variances; 1 where not given.
    coverage : float
        Coverage of every interval the result gives.
    correlated : bool
        Count n_eff = n(1 − ρ)/(1 + ρ) readings instead of n, with ρ the lag-1 autocorrelation of
        the residuals in the order given: widens every variance by n/n_eff and lowers the degrees
        of freedom to n_eff − 2.

    Returns
    -------
    LineResult
    """
    x, y, w = usable_rows(x, y, weight)
    n = x.size
    if n < 3 or np.ptp(x) == 0:
        return LineResult(nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, n, nan, nan, coverage, False)
    total = float(w.sum())
    x_mean, y_mean = float(w @ x) / total, float(w @ y) / total
    dx, dy = x - x_mean, y - y_mean
    sxx = float(w @ dx**2)
    slope = float(w @ (dx * dy)) / sxx
    residual = dy - slope * dx
    rho = lag1_autocorrelation(np.sqrt(w) * residual)
    size = effective_size(n, rho) if correlated else float(n)
    s2 = float(w @ residual**2) * size / (n * (size - 2)) if size > 2 else nan
    var_slope, var_mean = s2 * n / size / sxx, s2 * n / size / total
    return LineResult(
        slope=slope,
        intercept=y_mean - slope * x_mean,
        s=sqrt(s2),
        var_slope=var_slope,
        var_intercept=var_mean + var_slope * x_mean**2,
        cov_intercept_slope=-var_slope * x_mean,
        x_mean=x_mean,
        y_mean=y_mean,
        var_mean=var_mean,
        rho=rho,
        n_used=n,
        n_effective=size,
        dof=size - 2,
        coverage=coverage,
        converged=isfinite(s2),
    )
