"""Polynomials of low degree with honest bands.

Rows where x, y or the weight is not finite are left out; too few of them give ``converged = False``.

References
----------
NIST/SEMATECH e-Handbook §4.6.2 (a load cell needs the quadratic); NIST StRD Norris and Pontius.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.lines import t_quantile, usable_rows

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PolynomialResult:
    """A polynomial y = Σ coefficientsₖ·xᵏ, lowest power first.

    ``covariance`` is that of the coefficients, shape (degree + 1, degree + 1); ``s`` the residual
    standard deviation of a reading of weight 1. Bands are computed in the scaled variable
    z = (x − x_shift)/x_scale (``scaled``, ``scaled_covariance``), where they lose no digits.
    """

    coefficients: Floats
    covariance: Floats
    s: float
    x_shift: float
    x_scale: float
    scaled: Floats
    scaled_covariance: Floats
    n_used: int
    dof: float
    coverage: float
    converged: bool

    @property
    def standard_errors(self) -> Floats:
        """Standard errors of the coefficients, shape (degree + 1,)."""
        return np.sqrt(np.diag(self.covariance))

    def _powers(self, x: ArrayLike) -> Floats:
        z: Floats = (np.asarray(x, np.float64) - self.x_shift) / self.x_scale
        return np.asarray(z[..., None] ** np.arange(self.scaled.size), np.float64)

    def predict(self, x: ArrayLike) -> Floats:
        """Value of the polynomial at x."""
        return np.asarray(self._powers(x) @ self.scaled)

    def se_line(self, x: ArrayLike) -> Floats:
        """Standard error of the polynomial at x."""
        powers = self._powers(x)
        return np.asarray(np.sqrt(np.sum((powers @ self.scaled_covariance) * powers, axis=-1)))

    def se_reading(self, x: ArrayLike, weight: float = 1.0) -> Floats:
        """Standard error of a new single reading at x."""
        return np.sqrt(self.s**2 / weight + self.se_line(x) ** 2)

    def interval(self, x: ArrayLike, *, reading: bool = False) -> tuple[Floats, Floats]:
        """Low and high end of the polynomial (or of a new reading) at x, at ``coverage``."""
        half = t_quantile(self.coverage, self.dof) * (self.se_reading(x) if reading else self.se_line(x))
        return self.predict(x) - half, self.predict(x) + half


def polynomial(
    x: ArrayLike,
    y: ArrayLike,
    degree: int,
    weight: ArrayLike | None = None,
    *,
    coverage: float = 0.95,
) -> PolynomialResult:
    """Fit a polynomial by (weighted) least squares: QR of the powers of a scaled x, refined once.

    Parameters
    ----------
    x, y : array_like, shape (n,), float64
    degree : int
        Highest power; 2 is a quadratic. Meant for low degrees (six at most).
    weight : array_like, shape (n,), optional
        Inverse relative variances; 1 where not given.
    coverage : float
        Coverage of every interval the result gives.

    Returns
    -------
    PolynomialResult
    """
    x, y, w = usable_rows(x, y, weight)
    n, p = x.size, degree + 1
    if n <= p or np.unique(x).size < p:
        no, none = np.full(p, nan), np.full((p, p), nan)
        return PolynomialResult(no, none, nan, 0.0, 1.0, no, none, n, nan, coverage, False)
    shift = float(np.min(x) + np.ptp(x) / 2)
    scale = float(np.ptp(x) / 2)
    root_w = np.sqrt(w)
    powers = ((x - shift) / scale)[:, None] ** np.arange(p)
    q, r = np.linalg.qr(root_w[:, None] * powers)
    scaled = np.linalg.solve(r, q.T @ (root_w * y))
    scaled = scaled + np.linalg.solve(r, q.T @ (root_w * (y - powers @ scaled)))
    residual = root_w * (y - powers @ scaled)
    s2 = float(residual @ residual) / (n - p)
    half = np.linalg.inv(r)
    scaled_covariance = s2 * half @ half.T
    back = _unscale(p, shift, scale)
    return PolynomialResult(
        coefficients=back @ scaled,
        covariance=back @ scaled_covariance @ back.T,
        s=sqrt(s2),
        x_shift=shift,
        x_scale=scale,
        scaled=scaled,
        scaled_covariance=scaled_covariance,
        n_used=n,
        dof=float(n - p),
        coverage=coverage,
        converged=bool(np.all(np.isfinite(scaled))),
    )


def _unscale(p: int, shift: float, scale: float) -> Floats:
    """Matrix from coefficients in z = (x − shift)/scale to coefficients in x."""
    matrix = np.zeros((p, p))
    for k in range(p):
        for j in range(k + 1):
            matrix[j, k] = comb(k, j) * (-shift) ** (k - j) / scale**k
    return matrix
