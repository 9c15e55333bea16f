"""Standard uncertainty of a curvature or rolling slope of one pass, where the noise of neighbours is correlated.

The centre of pressure wanders: an error lasts over several samples. A least-squares figure stays right, and its
textbook standard error is too small, by √((1 + ρ)/(1 - ρ)) for noise of the autocorrelation ρ. ρ has to be learnt
from the residuals, which a fit has made smaller and less correlated. So each ρ of a row has its restricted
likelihood, the variance that it gives the figure, and a Student distribution; the interval is that of their mixture.

References
----------
H. D. Patterson & R. Thompson, Biometrika 58 (1971) 545: restricted likelihood; written from memory, not checked.
Simulated coverage: ``tests/benchmarks/rocker_coverage.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST = 2000
"""Averages of neighbours that the noise is learnt from, at most."""
MEMORIES = np.concatenate([[0.0], 1.0 - np.geomspace(0.9, 0.02, 24)])
"""Autocorrelations of neighbours that are tried."""
REACH = 1400
"""Samples after which the longest memory is gone."""
PRIOR = np.gradient(MEMORIES)
"""Every ρ is as likely as another before the residuals are seen."""
LEAST_DOF = 2.0
DOFS = np.geomspace(LEAST_DOF, 1000.0, 400)
HALF = 0.975
HALVINGS = 20
"""Of the range in which the half-width lies: to a millionth of it."""


@dataclass(frozen=True)
class CorrelatedU:
    """Standard uncertainty of a fitted figure.

    ``u`` times Student's factor of ``dof`` is the half-width of the 95 % interval. ``rho``: mean autocorrelation of
    neighbouring samples; ``worth``: how many independent samples the pass is worth.
    """

    u: float
    dof: float
    rho: float
    worth: float


def correlated_u(design: Floats, residuals: Floats, wanted: int) -> CorrelatedU:
    """Standard uncertainty of one parameter of a least-squares fit.

    Parameters
    ----------
    design : float64 array, shape (n, p)
        Gradient of the residuals to the parameters, in the order of time.
    residuals : float64 array, shape (n,)
        Of the least-squares fit.
    wanted : int
        Column of the parameter.

    Returns
    -------
    CorrelatedU
        NaN where there are not more rows than parameters.
    """
    from scipy.special import stdtr, stdtrit

    n, p = design.shape
    each = -(-n // MOST)
    if each > 1:
        end = n // each * each
        design = sum((design[k:end:each] for k in range(1, each)), design[0:end:each]) / each
        residuals = sum((residuals[k:end:each] for k in range(1, each)), residuals[0:end:each]) / each
    rows = design.shape[0]
    dof = rows - p
    if dof < 1:
        return CorrelatedU(nan, nan, nan, nan)
    frame, triangle = np.linalg.qr(design)
    if not np.all(np.abs(np.diag(triangle)) > 0):
        return CorrelatedU(nan, nan, nan, nan)
    of_figure = frame @ np.linalg.solve(triangle.T, np.eye(p)[wanted])  # figure = of_figure · readings
    size = float(residuals @ residuals)
    if not size > 0:
        return CorrelatedU(0.0, float(dof), 0.0, float(n))
    likelihood, scale = _likelihood(np.column_stack([frame, residuals]), dof)
    variance = scale * _quadratic(of_figure)
    weight = PRIOR * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    sd = np.sqrt(variance)
    factor = float(stdtrit(dof, HALF))
    low, high = factor * float(sd.min()), factor * float(sd.max())
    for _ in range(HALVINGS):
        half = 0.5 * (low + high)
        inside = float(weight @ stdtr(dof, half / sd))
        low, high = (half, high) if inside < HALF else (low, half)
    middle = sqrt(float(weight @ variance))
    white = float(np.sum(of_figure**2)) * size / dof
    worth = min(white / middle**2, 1.0) * n
    rho = float(weight @ MEMORIES) ** (1.0 / each)
    return CorrelatedU(*_student(half, middle, float(dof)), rho, worth)


def _student(half: float, u: float, most: float) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom whose 95 % interval has this half-width."""
    factor = min(max(half / u, float(_factors()[-1])), float(_factors()[0]))
    dof = min(float(np.interp(-factor, -_factors(), DOFS)), max(most, LEAST_DOF))
    return half / float(np.interp(dof, DOFS, _factors())), dof


@cache
def _factors() -> Floats:
    """Student's factors of :data:`DOFS`."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(DOFS, HALF))


def _likelihood(columns: Floats, dof: int) -> tuple[Floats, Floats]:
    """Restricted log-likelihood of each memory at its best scale, and that scale: the variance of a reading."""
    first, last = columns[0], columns[-1]
    whole, step = columns.T @ columns, columns[1:].T @ columns[:-1]
    inner = whole - np.outer(first, first) - np.outer(last, last)
    rho = MEMORIES[:, None, None]
    own = (whole + rho * rho * inner - rho * (step + step.T)) / (1.0 - rho * rho)  # with the inverse correlation
    left = np.diagonal(np.linalg.cholesky(own), axis1=1, axis2=2)
    scale = left[:, -1] ** 2 / dof
    volume = 0.5 * (columns.shape[0] - 1) * np.log1p(-(MEMORIES**2))  # half of the log of its determinant
    return -volume - np.sum(np.log(left[:, :-1]), axis=1) - 0.5 * dof * np.log(scale), scale


def _quadratic(figure: Floats) -> Floats:
    """Variance of ``figure · noise`` for noise of variance 1 and each memory: Σ ρ^|i-j| f_i f_j."""
    from scipy.fft import irfft, next_fast_len, rfft

    n = figure.size
    size = next_fast_len(2 * n)
    spectrum = rfft(figure, size)
    lagged = irfft(spectrum.real**2 + spectrum.imag**2, size)[: min(n, REACH)]  # its products with itself, by lag
    return np.asarray(lagged[0] + 2.0 * _powers()[:, 1 : lagged.size] @ lagged[1:])


@cache
def _powers() -> Floats:
    """Each memory to the powers 0, 1 …, shape (memories, REACH)."""
    return np.asarray(MEMORIES[:, None] ** np.arange(REACH))
