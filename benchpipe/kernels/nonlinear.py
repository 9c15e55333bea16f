"""Nonlinear least squares: one small front end, with standard errors, bands and a flag of convergence.

References
----------
D. M. Bates & D. G. Watts, *Nonlinear Regression Analysis and Its Applications* (Wiley 1988):
relative offset §2.2.3, linear approximation intervals §2.3. K. P. Burnham & D. R. Anderson,
*Model Selection and Multimodel Inference* (Springer 2002) §7.4: AICc.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.errors import BenchpipeError
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation

Floats = NDArray[np.float64]
Model = Callable[..., NDArray[np.generic]]
"""model(x, p) → y; must take complex p where no gradient is given."""
Gradient = Callable[..., Floats]
"""gradient(x, p) → dy/dp, shape (n, parameters)."""

RELATIVE_OFFSET = 1e-3
"""A fit has converged where the residual's part along the tangent plane is below this share of it."""


@dataclass(frozen=True, eq=False)
class CurveFitResult:
    """A fitted curve y = model(x, parameters).

    ``s`` is the residual standard deviation of a reading of weight 1 (of unit relative covariance);
    ``rss`` the weighted residual sum of squares; ``residuals`` are weighted or whitened, in the
    order given; ``rho`` their lag-1 autocorrelation; ``n_effective`` = n(1 − ρ)/(1 + ρ), at most n.
    ``at_bound`` names the parameters (by index) that ended on a bound: their standard errors are NaN
    and the others' hold them fixed. ``dof`` is ``n_used`` less the free parameters.
    """

    parameters: Floats
    standard_errors: Floats
    covariance: Floats
    s: float
    rss: float
    residuals: Floats
    rho: float
    n_used: int
    n_effective: float
    dof: float
    coverage: float
    at_bound: tuple[int, ...]
    converged: bool
    model: Model
    gradient: Gradient

    def predict(self, x: ArrayLike) -> Floats:
        """Value of the curve at x."""
        return np.asarray(self.model(np.asarray(x, np.float64), self.parameters), np.float64)

    def se_curve(self, x: ArrayLike) -> Floats:
        """Standard error of the curve at x, √(gᵀCg) (delta method)."""
        return standard_error(self.gradient(np.asarray(x, np.float64), self.parameters), self.covariance)

    def se_reading(self, x: ArrayLike, weight: float = 1.0) -> Floats:
        """Standard error of a new reading at x, √(gᵀCg + s²/weight)."""
        return np.asarray(np.hypot(self.se_curve(x), self.s / sqrt(weight)))

    def aicc(self, n_effective: float | None = None) -> float:
        """Return `aicc` of the fit; ``n_used`` readings are counted where ``n_effective`` is not given."""
        size = float(self.n_used) if n_effective is None else n_effective
        return aicc(self.rss / self.n_used, self.parameters.size, size)

    def interval(self, x: ArrayLike, *, reading: bool = False) -> tuple[Floats, Floats]:
        """Low and high end of the curve (or of a new reading) at x, at ``coverage``."""
        half = t_quantile(self.coverage, self.dof) * (self.se_reading(x) if reading else self.se_curve(x))
        return self.predict(x) - half, self.predict(x) + half


def aicc(mean_square: float, parameters: int, n_effective: float) -> float:
    """AICc = n·ln(mean square) + 2K + 2K(K + 1)/(n − K − 1), K the parameters and the variance.

    To compare curves fitted to the same rows give them one ``n_effective``. Infinite where too few
    readings are left to judge by.

    Parameters
    ----------
    mean_square : float
        Of the residuals, in the unit of y squared, >= 0.
    parameters : int
        Fitted ones, the variance not counted.
    n_effective : float
        Independent rows that the data are worth.

    Returns
    -------
    float
        Without unit, the smaller the better: only differences mean something. Infinite where it cannot be judged.

    Notes
    -----
    K. P. Burnham & D. R. Anderson, *Model Selection and Multimodel Inference* (Springer 2002) §7.4.
    """
    k, n = parameters + 1, n_effective
    if not (n - k - 1 > 0 and isfinite(mean_square)):
        return inf
    fit = n * log(mean_square) if mean_square > 0 else -inf
    return fit + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def standard_error(gradient: ArrayLike, covariance: ArrayLike) -> Floats:
    """√(gᵀCg) for each row g of ``gradient``; parameters with NaN covariance count as fixed.

    Parameters
    ----------
    gradient : array_like, shape (..., k)
        Derivatives of each figure by the k parameters.
    covariance : array_like, shape (k, k)
        Of the parameters.

    Returns
    -------
    float64 array, shape (...)
        In the unit of the figures.

    Notes
    -----
    D. M. Bates & D. G. Watts, *Nonlinear Regression Analysis and Its Applications* (Wiley 1988) §2.3.
    """
    c = np.nan_to_num(np.asarray(covariance, np.float64))
    g = np.asarray(gradient, np.float64)
    return np.asarray(np.sqrt(np.maximum(np.sum((g @ c) * g, axis=-1), 0.0)))


def complex_step(model: Model) -> Gradient:
    """Gradient of an analytic model by complex steps, exact to rounding.

    W. Squire & G. Trapp, SIAM Review 40 (1998) 110. The model must take complex parameters and
    use no absolute value, comparison or conjugate of them.

    Parameters
    ----------
    model : callable
        Takes x, shape (n,), and parameters, shape (k,); gives y, shape (n,).

    Returns
    -------
    callable
        Takes the same; gives derivatives by the parameters, shape (n, k).

    Notes
    -----
    Tests compare the gradient with analytic ones.
    """

    def gradient(x: Floats, p: Floats) -> Floats:
        columns = []
        for k, value in enumerate(p):
            step = 1e-30 * (abs(value) or 1.0)
            moved = p.astype(np.complex128)
            moved[k] += 1j * step
            columns.append(np.imag(np.asarray(model(x, moved))) / step)
        return np.stack(columns, axis=-1)

    return gradient


def fit_curve(
    model: Model,
    x: ArrayLike,
    y: ArrayLike,
    starts: Sequence[ArrayLike],
    *,
    gradient: Gradient | None = None,
    weight: ArrayLike | None = None,
    covariance: ArrayLike | None = None,
    bounds: tuple[ArrayLike, ArrayLike] | None = None,
    coverage: float = 0.95,
    most_steps: int = 3000,
) -> CurveFitResult:
    """Fit a curve by (weighted, generalised) least squares from each start; the best end is kept.

    Parameters
    ----------
    model : callable
        model(x, p) → y, shape (n,).
    x : array_like, shape (n,) or (n, predictors), float64
    y : array_like, shape (n,), float64
        Rows where x, y or the weight is not finite are left out (not allowed with ``covariance``).
    starts : sequence of array_like, shape (parameters,)
        Starting parameters, one set or several.
    gradient : callable, optional
        gradient(x, p) → (n, parameters); complex steps of the model where not given.
    weight : array_like, shape (n,), optional
        Inverse relative variances.
    covariance : array_like, shape (n, n), optional
        Relative covariance of the readings; takes the place of ``weight``.
    bounds : (low, high), each array_like of shape (parameters,), optional
    coverage : float
        Coverage of every interval the result gives.
    most_steps : int
        Evaluations after which a descent is given up: parameters that the data do not tell apart take thousands.

    Returns
    -------
    CurveResult
        ``converged`` is False where no start led to a minimum.

    Raises
    ------
    BenchpipeError
        No start was given (a defect of the caller).
    """
    if not len(starts):
        raise BenchpipeError("a curve fit was asked for without a start")
    slope = gradient or complex_step(model)
    xs, ys, whiten = _prepare(x, y, weight, covariance)
    low, high = (-inf, inf) if bounds is None else bounds

    def residual(q: Floats) -> Floats:
        return whiten(np.asarray(model(xs, q), np.float64) - ys)

    def jacobian(q: Floats) -> Floats:
        return whiten(slope(xs, q))

    with np.errstate(all="ignore"):
        ends = [_descend(residual, jacobian, np.array(start, np.float64), low, high, most_steps) for start in starts]
        best = min(ends, key=lambda q: _square(residual(q)))
        best = _polish(residual, jacobian, best, low, high)
        return _result(model, slope, best, residual(best), jacobian(best), (low, high), coverage)


def whitening(covariance: ArrayLike) -> Callable[[Floats], Floats]:
    """Map that gives errors of this covariance, shape (n, n), unit variance and no correlation.

    Multiplies by the inverse of the Cholesky factor: (n,) to (n,), or each column of (n, k). The
    inverse is by NumPy: SciPy's triangular solver starts threads, which on a busy machine cost a
    thousand times what matrices of this size take.

    Parameters
    ----------
    covariance : array_like, shape (n, n)
        Symmetric, positive definite.

    Returns
    -------
    callable
        Takes and gives float64 arrays, shape (n,) or (n, k).

    Raises
    ------
    numpy.linalg.LinAlgError
        The covariance is not positive definite.
    """
    inverse = np.linalg.inv(np.linalg.cholesky(np.asarray(covariance, np.float64)))
    return lambda v: np.asarray(inverse @ v, np.float64)


def _prepare(
    x: ArrayLike, y: ArrayLike, weight: ArrayLike | None, covariance: ArrayLike | None
) -> tuple[Floats, Floats, Callable[[Floats], Floats]]:
    """Usable rows and the map that gives residuals (or gradients) unit relative variance."""
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if covariance is not None:
        return xs, ys, whitening(covariance)
    w = np.ones_like(ys) if weight is None else np.asarray(weight, np.float64)
    keep = np.isfinite(ys) & np.isfinite(xs.reshape(ys.size, -1)).all(axis=1) & np.isfinite(w) & (w > 0)
    root = np.sqrt(w[keep])
    return xs[keep], ys[keep], lambda v: (v.T * root).T


def _square(residual: Floats) -> float:
    """Sum of squares; infinite where it is not a number."""
    total = float(residual @ residual)
    return total if isfinite(total) else inf


def _descend(
    residual: Callable[[Floats], Floats],
    jacobian: Callable[[Floats], Floats],
    start: Floats,
    low: ArrayLike,
    high: ArrayLike,
    most: int,
) -> Floats:
    """One trust-region descent; the start itself where it leads to nothing that can be computed."""
    from scipy.optimize import least_squares

    inside = np.clip(start, low, high)
    try:
        fit = least_squares(residual, inside, jacobian, (low, high), "trf", 1e-15, 1e-15, 1e-15, "jac", max_nfev=most)
    except (ValueError, np.linalg.LinAlgError):  # not finite at the start, or on the way
        return inside
    return np.asarray(fit.x, np.float64)


def _polish(
    residual: Callable[[Floats], Floats],
    jacobian: Callable[[Floats], Floats],
    at: Floats,
    low: ArrayLike,
    high: ArrayLike,
) -> Floats:
    """Take plain Gauss-Newton steps while they keep the sum of squares to its last digits.

    At the minimum the sum of squares is flat: the steps find digits that comparing it cannot.
    """
    least = _square(residual(at))
    for _ in range(4):
        jac, res = jacobian(at), residual(at)
        if not np.all(np.isfinite(jac)):
            break
        size = np.sqrt(np.sum(jac**2, axis=0))
        size[size == 0] = 1.0
        moved = at + np.linalg.lstsq(jac / size, -res, rcond=None)[0] / size
        square = _square(residual(moved))
        if np.any(moved <= low) or np.any(moved >= high) or square > least * (1 + 1e-12):
            break
        at, least = moved, min(square, least)
    return at


def _result(
    model: Model,
    slope: Gradient,
    at: Floats,
    res: Floats,
    jac: Floats,
    bounds: tuple[ArrayLike, ArrayLike],
    coverage: float,
) -> CurveFitResult:
    """Standard errors and the convergence flag at the end point."""
    n, p = jac.shape
    low, high = (np.broadcast_to(np.asarray(b, np.float64), at.shape) for b in bounds)
    margin = 1e-9 * np.where(np.isfinite(high - low), high - low, 0.0)
    free = (at > low + margin) & (at < high - margin)
    k, rss = int(free.sum()), _square(res)
    dof = float(n - k)
    s = sqrt(rss / dof) if dof > 0 and isfinite(rss) else nan
    covariance = np.full((p, p), nan)
    converged = False
    if isfinite(s) and np.all(np.isfinite(jac)):
        size = np.sqrt(np.sum(jac[:, free] ** 2, axis=0))
        size[size == 0] = 1.0
        q, r = np.linalg.qr(jac[:, free] / size)
        if k == 0 or np.linalg.cond(r) < 1e13:
            half = np.linalg.inv(r) / size[:, None]
            covariance[np.ix_(free, free)] = s**2 * half @ half.T
            along = _square(q.T @ res)
            across = max(rss - along, 0.0) / dof
            rounding = 1e-14 * float(np.max(size * np.abs(at[free]), initial=0.0))
            converged = along <= max(k * RELATIVE_OFFSET**2 * across, n * rounding**2)
    rho = lag1_autocorrelation(res) if n >= 3 else 0.0
    return CurveFitResult(
        parameters=at,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        s=s,
        rss=rss,
        residuals=res,
        rho=rho,
        n_used=n,
        n_effective=effective_size(n, rho),
        dof=dof,
        coverage=coverage,
        at_bound=tuple(int(i) for i in np.flatnonzero(~free)),
        converged=converged,
        model=model,
        gradient=slope,
    )
