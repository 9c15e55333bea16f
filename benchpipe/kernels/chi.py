"""Chi distribution: density and quantiles, without the half second that scipy's distributions take to import."""

from __future__ import annotations

from math import log, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def chi_density(s: ArrayLike, dof: float) -> Floats:
    """Density of χ: s^(ν-1) e^(-s²/2) / (2^(ν/2-1) Γ(ν/2)).

    Parameters
    ----------
    s : array_like, any shape
        Above zero.
    dof : float
        ν > 0.

    Returns
    -------
    float64 array, same shape
        Without unit.
    """
    from scipy.special import gammaln

    x = np.asarray(s, np.float64)
    return np.asarray(
        np.exp((dof - 1.0) * np.log(x) - 0.5 * x**2 - (0.5 * dof - 1.0) * log(2.0) - gammaln(0.5 * dof))
    )


def chi_ends(risk: float, dof: float) -> tuple[float, float]:
    """Values of χ below and above which a probability lies.

    Parameters
    ----------
    risk : float
        On each side, between 0 and 1/2.
    dof : float
        ν > 0.

    Returns
    -------
    low, high : float
        Without unit.
    """
    from scipy.special import gammainccinv, gammaincinv

    return sqrt(2.0 * float(gammaincinv(0.5 * dof, risk))), sqrt(2.0 * float(gammainccinv(0.5 * dof, risk)))
