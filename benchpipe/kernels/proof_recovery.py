"""Is the motion still moving when the set is read? Creep that a proof left comes back at the settling load."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.lines import straight_line, t_quantile

Floats = NDArray[np.float64]

LAST_PART = 0.5
"""Part of the stay at its end from which the rate is taken."""
FEWEST = 8


@dataclass(frozen=True)
class ProofRecoveryResult:
    """Rate of the motion at the end of the stay [motion/s], positive the way the proof load moves it.

    ``moving``: the rate is beyond its 95 % interval. ``to_come_u`` is the standard uncertainty of the set from what
    may still come; 0 where nothing moves. NaN and not ``known`` where there are too few samples.
    """

    rate: float = nan
    rate_u: float = nan
    moving: bool = False
    to_come_u: float = 0.0
    known: bool = False


NOT_KNOWN = ProofRecoveryResult()


def recovery(time_s: Floats, motion: Floats, load: Floats, stiffness: float) -> ProofRecoveryResult:
    """Rate at the end of a stay at the settling load, what follows the load taken off.

    Parameters
    ----------
    time_s, motion, load : float64 arrays, shape (n,)
        The stay, up to where the set is read.
    stiffness : float
        load/motion

    Returns
    -------
    ProofRecoveryResult
        Rates in the unit of the motion over s; NaN and not ``known`` with fewer than `FEWEST` samples in the last half.

    Notes
    -----
    The rate is a line's slope over the last half of the stay, with the correlation of its residuals counted. Recovery
    only slows down, so another stay as long would bring no more than rate × length. The set is given as it was read,
    and may be too large by anything from nothing to that: its mean square, a third of the square, is added to the
    variance (one sided, taken as rectangular, JCGM 100:2008, 4.3.7). Expanded (k = 2) it covers all of another stay.
    What comes after that is not covered.
    """
    since = time_s >= time_s[-1] - LAST_PART * (time_s[-1] - time_s[0])
    t = time_s[since]
    free = motion[since] - (load[since] - load[since].mean()) / stiffness
    line = straight_line(t - t[0], free, correlated=True)
    if t.size < FEWEST or not line.converged:
        return NOT_KNOWN
    u = sqrt(line.var_slope)
    moving = abs(line.slope) > t_quantile(0.95, line.dof) * u
    left = abs(line.slope) * float(time_s[-1] - time_s[0])
    way = float(np.sign(stiffness))
    return ProofRecoveryResult(way * line.slope, u, bool(moving), left / sqrt(3.0) if moving else 0.0, True)
