"""Figures from fitted holds: recovery on unloading, exponent of the leak."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.creep_fit import CreepResult
from benchpipe.kernels.lines import LineResult, straight_line

Floats = NDArray[np.float64]

LEAST_LEVELS = 3


@dataclass(frozen=True)
class RecoveryResult:
    """Part of a hold's creep that came back at rest: 1 all of it (settling), 0 none (a leak).

    NaN, and not ``converged``, where the hold's creep is not distinguishable from zero.
    """

    fraction: float
    low: float
    high: float
    coverage: float
    converged: bool


def recovered_fraction(hold: CreepResult, rest: CreepResult) -> RecoveryResult:
    """Compare the creep of a hold with the creep back after unloading.

    Parameters
    ----------
    hold : CreepResult
        Under load.
    rest : CreepResult
        After unloading, time counted from the load's leaving; the elastic return, and what came back
        before the rest's first average, are not in it.

    Returns
    -------
    RecoveryResult
        First-order propagation of both half-intervals (GUM §5.1.2).
    """
    there, back = hold.creep_end, rest.creep_end
    if not (there.told_from_zero and rest.converged):
        return RecoveryResult(nan, nan, nan, hold.coverage, False)
    fraction = -back.value / there.value
    half = hypot((back.high - back.low) / 2, fraction * (there.high - there.low) / 2) / abs(there.value)
    return RecoveryResult(fraction, fraction - half, fraction + half, hold.coverage, True)


def leak_exponent(load: ArrayLike, rate: ArrayLike, standard_error: ArrayLike) -> LineResult:
    """Exponent of leak rate in load: the slope of log rate over log load, 1 laminar gap, ½ orifice.

    Parameters
    ----------
    load, rate, standard_error : array_like, shape (levels,)
        Sizes of load and leak rate at each level, and the rate's standard error. Levels whose rate is
        not above zero are left out.

    Returns
    -------
    LineResult
        ``slope`` is the exponent, with ``slope_interval``; not ``converged`` below three levels.
    """
    q, w, u = (np.asarray(v, np.float64) for v in (load, rate, standard_error))
    keep = (q > 0) & (w > 0) & (u > 0)
    keep &= np.unique(q[keep]).size >= LEAST_LEVELS
    return straight_line(np.log(q[keep]), np.log(w[keep]), (w[keep] / u[keep]) ** 2)
