"""Hardness and geometry of rubber blocks as a prior of their stiffness, where a loop does not determine it.

What a loop determines better than the prior is never moved by it: the two are compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, log, nan, pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.bumper_pair import AT_BOUND, PairFit, PairShape, fit_pair, pair_problem, pair_torque, vague_names
from benchpipe.kernels.loop_branches import Branches
from benchpipe.kernels.rubber import apparent_modulus, gent_modulus, gent_spread, shape_factor

Floats = NDArray[np.float64]
Faces = Literal["", "bonded", "lubricated"]
BONDED = 2.0  # β of bonded faces; 0 of lubricated ones
DISAGREE = 2.0  # standard uncertainties
LEAST_SHOWN = 0.5  # of a stiffness: where its standard error is larger, the loop does not show it


@dataclass(frozen=True)
class StiffnessPrior:
    """Stiffness at contact [N/mm] that hardness and geometry suggest, and the standard deviation of its logarithm."""

    value: float
    u: float


@dataclass(frozen=True)
class PriorUse:
    """A prior beside what the loop says.

    Attributes
    ----------
    side : int
        0: the bumper that rising motion presses; 1: the other one.
    prior : StiffnessPrior
    measured, measured_u : float
        Stiffness of the fit without a prior [N/mm] and the standard uncertainty of its logarithm; NaN: the loop does
        not determine it.
    entered : bool
        The prior is part of the fit.
    disagrees : bool
        They differ by more than `DISAGREE` standard uncertainties.
    """

    side: int
    prior: StiffnessPrior
    measured: float
    measured_u: float
    entered: bool
    disagrees: bool

    @property
    def name(self) -> str:
        """Parameter that the prior is of."""
        return _name(self.side)


def block_prior(shore_a: float, height: float, outer: float, inner: float = 0.0, faces: Faces = "") -> StiffnessPrior:
    """Stiffness at contact A E (1 + β S²)/h of a disc or ring, by hardness and geometry.

    Parameters
    ----------
    shore_a : float
        Hardness, Shore A, from 20 to 80.
    height, outer, inner : float
        Free height, outer diameter, diameter of the hole [mm].
    faces : str
        "bonded": β = 2; "lubricated": β = 0; not stated: β = 1, and its range from 0 to 2 widens the prior.

    Returns
    -------
    StiffnessPrior
        ± 5 Shore A is taken as one standard deviation: 0.20 of the logarithm at 60 Shore A.

    Notes
    -----
    Gent 1958, Gent and Lindley 1959; from memory, as in :mod:`benchpipe.kernels.rubber`.
    """
    s = shape_factor(height, outer=outer, inner=inner)
    low, high = (apparent_modulus(1.0, s, beta) for beta in (0.0, BONDED))
    beta = {"bonded": BONDED, "lubricated": 0.0}.get(faces, 0.5 * BONDED)
    of_faces = 0.0 if faces else log(high / low) / sqrt(12.0)  # rectangular between both
    area = 0.25 * pi * (outer**2 - inner**2)
    value = area * apparent_modulus(gent_modulus(shore_a), s, beta) / height
    return StiffnessPrior(value, hypot(gent_spread(shore_a), of_faces))


def fit_pair_with_priors(
    branches: Branches, shape: PairShape, priors: Sequence[StiffnessPrior | None]
) -> tuple[PairFit, tuple[PriorUse, ...]]:
    """Fit a pair of rubber blocks; a prior enters for a stiffness that the loop determines less well than it.

    Parameters
    ----------
    branches : Branches
        Motion in deg, load in N·m.
    shape : PairShape
        Law "block", with lever arms and heights.
    priors : sequence of two
        Of the bumper that rising motion presses and of the other one; None: none.

    Returns
    -------
    fit : PairFit
    uses : tuple of PriorUse
        One for each prior.
    """
    plain = fit_pair(branches, shape)
    uses = tuple(_use(plain, side, prior) for side, prior in enumerate(priors) if prior is not None)
    entering = {plain.names.index(_name(one.side)): one.prior for one in uses if one.entered}
    return (_refit(branches, plain, entering) if entering else plain), uses


def _name(side: int) -> str:
    return f"{'dp'[side]}.scale"


def _use(fit: PairFit, side: int, prior: StiffnessPrior) -> PriorUse:
    at = fit.names.index(_name(side))
    value, u = float(fit.value[at]), float(fit.u[at])
    if not (value > 0.0 and u <= LEAST_SHOWN * value):
        return PriorUse(side, prior, nan, nan, entered=True, disagrees=False)
    relative = u / value
    apart = abs(log(value / prior.value)) > DISAGREE * hypot(relative, prior.u)
    return PriorUse(side, prior, value, relative, entered=relative > prior.u, disagrees=apart)


def _refit(branches: Branches, plain: PairFit, priors: dict[int, StiffnessPrior]) -> PairFit:
    """The fit with priors; residuals weigh by their scatter and correlation in the fit without them."""
    from scipy.optimize import least_squares

    shape = plain.shape
    motion, load, sign, names, low, high, start = pair_problem(branches, shape)
    free = float(np.isfinite(np.diag(plain.covariance)).sum())
    independent = max(plain.dof + free, 1.0)
    least = 1e-6 * max(float(np.ptp(load)), 1e-12)
    sigma = max(plain.rms * sqrt(load.size / max(load.size - free, 1.0)), least) * sqrt(load.size / independent)
    start = np.where(np.isfinite(plain.u) & (plain.value > 0.0), plain.value, start)
    for at, prior in priors.items():
        low[at], start[at] = 1e-6 * prior.value, prior.value

    def residual(p: Floats) -> Floats:
        from_loop = (pair_torque(motion, sign, p, shape) - load) / sigma
        return np.concatenate([from_loop, [log(p[at] / one.value) / one.u for at, one in priors.items()]])

    found = least_squares(
        residual, np.clip(start, low, high), bounds=(low, high), x_scale=np.maximum(np.abs(start), 1e-9), method="trf",
        max_nfev=400,
    )  # fmt: skip
    value = np.asarray(found.x, np.float64)
    size = np.linalg.norm(found.jac, axis=0)
    clear = np.minimum(value - low, high - value) > AT_BOUND * np.maximum(np.abs(value), 1e-12)
    places = np.flatnonzero((size > 0.0) & clear)
    scaled = found.jac[:, places] / size[places]
    inverse = np.linalg.pinv(scaled.T @ scaled, rcond=1e-12)
    covariance = np.full((value.size, value.size), nan)
    covariance[np.ix_(places, places)] = inverse / np.outer(size[places], size[places])
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    vague = vague_names(inverse, [names[i] for i in places])
    u[[names.index(name) for name in vague]] = nan
    rms = sqrt(float(np.mean((found.fun[: load.size] * sigma) ** 2)))
    dof = max(independent + len(priors) - places.size, 1.0)
    return replace(
        plain, value=value, u=u, covariance=covariance, dof=dof, rms=rms, not_identified=tuple(vague),
        converged=bool(found.success) and rms < inf,
    )  # fmt: skip
