"""Families of comparisons: p values and factors that hold for all comparisons of a family at once.

References
----------
C. W. Dunnett, J. Am. Stat. Assoc. 50 (1955) 1096: several treatments with one control. J. W. Tukey 1953 and
C. Y. Kramer, Biometrics 12 (1956) 307: all pairs. S. Holm, Scand. J. Stat. 6 (1979) 65. Written from memory; the
numbers are verified against worked sets in the tests.
"""

from __future__ import annotations

from functools import cache
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.chi import chi_density, chi_ends

Floats = NDArray[np.float64]
NODES = 96
MOST_Z = 8.5  # normal standard deviations within which the shared part is integrated
TAIL = 1e-12


@cache
def _nodes() -> tuple[Floats, Floats]:
    """Places and weights of Gauss and Legendre's quadrature: two thirds of the time of a p value, so made once."""
    return np.polynomial.legendre.leggauss(NODES)


def dunnett_p(t: float, shares: ArrayLike, dof: float) -> float:
    """Probability that the largest of several |t| against one control exceeds ``|t|``.

    Parameters
    ----------
    t : float
        Difference over its standard error.
    shares : array_like, shape (k,)
        v0 / (v0 + v_i): share of the control's variance in that of each difference. Correlations are
        √(share_i share_j).
    dof : float
        Degrees of freedom of the standard error, > 0.

    Returns
    -------
    float
        From 0 to 1.

    Notes
    -----
    Two Gauss-Legendre quadratures, over the control's error and over χ/√ν: deterministic, unlike a quasi-Monte-Carlo
    integral.
    """
    from scipy.special import ndtr

    lam = np.sqrt(np.asarray(shares, np.float64))[:, None, None]
    rest = np.sqrt(1.0 - lam**2)
    x, w = _nodes()
    z, w_z = MOST_Z * x, MOST_Z * w * np.exp(-0.5 * (MOST_Z * x) ** 2) / sqrt(2.0 * np.pi)
    low, high = chi_ends(TAIL, dof)
    s = 0.5 * (high + low) + 0.5 * (high - low) * x
    w_s = 0.5 * (high - low) * w * chi_density(s, dof)
    edge = abs(t) * (s / sqrt(dof))[None, None, :]
    shared = lam * z[None, :, None]
    inside = ndtr((shared + edge) / rest) - ndtr((shared - edge) / rest)
    return float(np.clip(1.0 - w_z @ np.prod(inside, axis=0) @ w_s, 0.0, 1.0))


def tukey_p(t: float, groups: int, dof: float) -> float:
    """Probability that the largest |t| of all pairs of ``groups`` exceeds ``|t|`` (studentized range of √2 |t|).

    P(range < w) = k ∫ φ(z) (Φ(z) - Φ(z - w))^(k-1) dz, over χ/√ν as in :func:`dunnett_p`: a hundred times faster than
    scipy's adaptive integral.

    Parameters
    ----------
    t : float
        Difference over its standard error.
    groups : int
        Two at least.
    dof : float
        Degrees of freedom of the standard error, > 0.

    Returns
    -------
    float
        From 0 to 1.
    """
    from scipy.special import ndtr

    x, w = _nodes()
    low, high = chi_ends(TAIL, dof)
    s = 0.5 * (high + low) + 0.5 * (high - low) * x
    w_s = 0.5 * (high - low) * w * chi_density(s, dof)
    z = MOST_Z * x
    w_z = MOST_Z * w * np.exp(-0.5 * z**2) / sqrt(2.0 * np.pi)
    width = sqrt(2.0) * abs(t) * (s / sqrt(dof))[None, :]
    inside = groups * (w_z @ (ndtr(z)[:, None] - ndtr(z[:, None] - width)) ** (groups - 1))
    return float(np.clip(1.0 - inside @ w_s, 0.0, 1.0))


def tukey_factor(groups: int, dof: float, risk: float = 0.05) -> float:
    """Factor on the standard error of a difference: q(1 - risk; groups, dof)/√2.

    Parameters
    ----------
    groups : int
        Two at least.
    dof : float
        Degrees of freedom of the standard error, > 0.
    risk : float
        Of the whole family, between 0 and 1.

    Returns
    -------
    float
        Without unit.
    """
    from scipy.optimize import brentq
    from scipy.special import stdtrit

    pairs = groups * (groups - 1) // 2
    low, high = (-float(stdtrit(dof, 0.5 * p)) for p in (risk, risk / pairs))
    if pairs == 1:
        return low
    return float(brentq(lambda t: tukey_p(t, groups, dof) - risk, 0.999 * low, 1.001 * high, xtol=1e-8))


def dunnett_factor(shares: ArrayLike, dof: float, risk: float = 0.05) -> float:
    """Factor on the standard error of each difference from the control.

    Parameters
    ----------
    shares : array_like, shape (k,)
        As for :func:`dunnett_p`.
    dof : float
        Degrees of freedom of the standard error, > 0.
    risk : float
        Of the whole family, between 0 and 1.

    Returns
    -------
    float
        Without unit.
    """
    from scipy.optimize import brentq
    from scipy.special import stdtrit

    k = len(np.asarray(shares))
    low, high = (-float(stdtrit(dof, 0.5 * p)) for p in (risk, risk / k))
    if k == 1:
        return low
    return float(brentq(lambda t: dunnett_p(t, shares, dof) - risk, 0.999 * low, 1.001 * high, xtol=1e-8))


def holm_p(p: ArrayLike) -> Floats:
    """Adjusted p of a few tests: step-down, (m - rank) p, never falling.

    Parameters
    ----------
    p : array_like, shape (m,)
        Of each test by itself.

    Returns
    -------
    float64 array, shape (m,)
        In the given order, at most 1.

    Notes
    -----
    S. Holm, Scand. J. Stat. 6 (1979) 65; from memory, not looked up.
    """
    raw = np.asarray(p, np.float64)
    order = np.argsort(raw, kind="stable")
    stepped = np.minimum(np.maximum.accumulate(raw[order] * (raw.size - np.arange(raw.size))), 1.0)
    adjusted = np.empty_like(raw)
    adjusted[order] = stepped
    return adjusted
