"""Two bumpers opposed through lever arms: static torque, its fit to a loop, and what the loop identifies.

T(φ) = r_d cos φ F_d(x_d + r_d sin φ) - r_p cos φ F_p(x_p - r_p sin φ) ± (T_c + μ |T_static|)

Instead of the friction in brackets the loss may be a profile over the motion, 4 u (1 - u) Σ c_j P_j(2 u - 1) with
Legendre polynomials and u from 0 to 1 between the turns: it describes a loss that changes along the way (a cam), and
explains none.

x_d and x_p are preloads (above 0) or gaps (below): contact is at φ with x = 0. Without lever arms the laws are
torsional: x = φ, T = F(x).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf, isfinite, nan, pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.loop_branches import Branches
from benchpipe.kernels.rubber import bilinear_force, block_force, polynomial_force

Floats = NDArray[np.float64]
MOST_CORRELATION = 0.999
AT_BOUND = 1e-6  # of a parameter's range: so near to a bound it has no interval
N_MM = 1e-3  # N·mm in N·m
POINTS_FITTED = 101  # of each branch
PROFILE = 4  # terms of a loss profile
Loss = Literal["friction", "profile"]


@dataclass(frozen=True)
class Law:
    """A static law of one bumper: its force, and names, lower and upper bounds and starts of its parameters.

    Bounds and starts are in units of a stiffness (``"k"``), of the motion range (``"x"``) or of k/x, k/x².
    """

    name: str
    force: Callable[..., Floats]
    names: tuple[str, ...]
    units: tuple[str, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    start: tuple[float, ...]


LAWS: dict[str, Law] = {
    "polynomial": Law(
        "polynomial", polynomial_force, ("k1", "k2", "k3"), ("k", "k/x", "k/x2"), (0.0,) * 3, (inf,) * 3,
        (0.5, 0.5, 0.5),
    ),
    "bilinear": Law(
        "bilinear", bilinear_force, ("k0", "more", "knee", "width"), ("k", "k", "x", "x"), (0.0, 0.0, 0.0, 0.01),
        (inf, inf, 1.0, 1.0), (0.5, 1.0, 0.4, 0.1),
    ),
    "block": Law("block", block_force, ("scale", "height"), ("k", "x"), (0.0, 1.1), (inf, 50.0), (0.8, 3.0)),
}  # fmt: skip


@dataclass(frozen=True)
class PairShape:
    """What is known of a pair before: its law, lever arms [mm] (None: torsional), and heights [mm] where measured.

    ``ends``: turning points [deg] of the loop that a loss profile belongs to.
    """

    law: str
    loss: Loss = "friction"
    ends: tuple[float, float] = (0.0, 0.0)
    arms: tuple[float, float] | None = None
    heights: tuple[float, float] | None = None


@dataclass(frozen=True)
class PairFit:
    """Parameters of a pair of bumpers.

    Attributes
    ----------
    names : tuple of str
        ``d.`` of the bumper that rising motion presses, ``p.`` of the other one.
    value, u : float64 arrays
        Parameters and standard errors; an error is NaN where the loop does not identify the parameter.
    covariance : float64 array
    dof : float
        Degrees of freedom left, with the residuals' correlation along the loop.
    rms : float
        Of the residuals [load].
    not_identified : tuple of str
        Parameters, and what to measure next.
    converged : bool
    """

    shape: PairShape
    names: tuple[str, ...]
    value: Floats
    u: Floats
    covariance: Floats
    dof: float
    rms: float
    not_identified: tuple[str, ...]
    converged: bool

    def loop(self, low: float, high: float, points: int) -> Branches:
        """Its loop between two motions [deg]."""
        motion = np.linspace(low, high, points)
        return Branches(motion, *(pair_torque(motion, s, self.value, self.shape) for s in (1.0, -1.0)))


def pair_torque(motion_deg: Floats, rate_sign: float | Floats, parameters: Floats, shape: PairShape) -> Floats:
    """Torque [N·m] of a pair at motions [deg], on the branch of rising (1) or falling (-1) motion.

    Parameters
    ----------
    motion_deg : float64 array, shape (n,)
        [deg]
    rate_sign : float or float64 array, shape (n,)
        1 or -1; 0: without loss.
    parameters : float64 array, shape (p,)
        Of the law of the bumper that rising motion presses, of the other one's, both preloads or gaps, then two of
        friction or `PROFILE` of the profile: in the order of the names of a :class:`PairFit`.
    shape : PairShape

    Returns
    -------
    float64 array, shape (n,)
        [N·m]
    """
    law = LAWS[shape.law]
    own = len(law.names) - int(shape.heights is not None and "height" in law.names)
    fixed = shape.heights or (nan, nan)
    static = np.zeros(np.shape(motion_deg))
    for side, sign in enumerate((1.0, -1.0)):
        args = list(parameters[side * own : (side + 1) * own])
        if own < len(law.names):
            args.append(fixed[side])
        offset = parameters[2 * own + side]
        if shape.arms is None:
            force = law.force(offset + sign * motion_deg, *args)
        else:
            phi = np.asarray(motion_deg) * (pi / 180.0)
            arm = shape.arms[side]
            force = N_MM * arm * np.cos(phi) * law.force(offset + sign * arm * np.sin(phi), *args)
        static = static + sign * force
    if shape.loss == "profile":
        low, high = shape.ends
        u = np.clip((np.asarray(motion_deg) - low) / (high - low), 0.0, 1.0)
        loss = 4.0 * u * (1.0 - u) * np.polynomial.legendre.legval(2.0 * u - 1.0, parameters[-PROFILE:])
        return np.asarray(static + rate_sign * loss)
    coulomb, share = parameters[-2:]
    return np.asarray(static + rate_sign * (coulomb + share * np.abs(static)))


def fit_pair(branches: Branches, shape: PairShape, noise: float = 0.0) -> PairFit:
    """Fit a pair of bumpers to one loop by least squares.

    Parameters
    ----------
    branches : Branches
        Motion in deg, load in N·m.
    shape : PairShape
    noise : float
        Least standard deviation of a residual [N·m], where it is known.

    Returns
    -------
    PairFit
        ``converged`` is false where the search ended early.

    Notes
    -----
    Covariance s² (JᵀJ)⁻¹, with s² and the degrees of freedom for the residuals' correlation of first order along each
    branch: n (1 - ρ)/(1 + ρ) of n points are independent.
    """
    from scipy.optimize import least_squares

    shape = replace(shape, ends=(branches.low, branches.high))
    problem = pair_problem(branches, shape)
    motion, load, sign, names, low, high, start = problem
    weight = max(float(np.ptp(load)), 1e-12)

    def residual(p: Floats) -> Floats:
        return np.asarray((pair_torque(motion, sign, p, shape) - load) / weight)

    scale = np.maximum(np.abs(start), 1e-9)
    found = least_squares(
        residual, np.clip(start, low, high), bounds=(low, high), x_scale=scale, method="trf", max_nfev=400
    )
    return _with_errors(
        found.x, found.jac * weight, found.fun * weight, names, low, high, shape, noise, bool(found.success)
    )


def pair_problem(
    branches: Branches, shape: PairShape
) -> tuple[Floats, Floats, Floats, tuple[str, ...], Floats, Floats, Floats]:
    """Data and parameters of a fit: motion, load, branch, names, lower and upper bounds, start.

    Parameters
    ----------
    branches : Branches
        Motion in deg, load in N·m.
    shape : PairShape

    Returns
    -------
    motion, load, sign : float64 arrays, shape (n,)
        [deg], [N·m], 1 rising or -1 falling: at most 101 points of each branch.
    names : tuple of str
    low, high, start : float64 arrays, shape (p,)
    """
    step = max((branches.motion.size - 1) // (POINTS_FITTED - 1), 1)
    at = slice(None, None, step)
    motion = np.concatenate([branches.motion[at], branches.motion[at]])
    load = np.concatenate([branches.rising[at], branches.falling[at]])
    sign = np.repeat([1.0, -1.0], motion.size // 2)
    law, known = LAWS[shape.law], shape.heights is not None
    span, torque = branches.high - branches.low, float(np.ptp(load))
    names: list[str] = []
    ends: list[tuple[float, float, float]] = []
    for side, name in enumerate("dp"):
        arm = 1.0 if shape.arms is None else shape.arms[side]
        travel = span if shape.arms is None else arm * span * pi / 180.0
        k = torque / travel / (1.0 if shape.arms is None else N_MM * arm)
        units = {"k": k, "x": travel, "k/x": k / travel, "k/x2": k / travel**2}
        for label, unit, low, high, start in zip(law.names, law.units, law.low, law.high, law.start, strict=True):
            if not (known and label == "height"):
                names.append(f"{name}.{label}")
                ends.append((low * units[unit], high * units[unit], start * units[unit]))
    for side, name in enumerate("dp"):
        travel = span if shape.arms is None else shape.arms[side] * span * pi / 180.0
        names.append(f"{name}.preload")
        ends.append((-travel, travel, 0.05 * travel))
    half = 0.25 * float(np.mean(np.abs(branches.rising - branches.falling)))
    if shape.loss == "profile":
        names += [f"loss{j}" for j in range(PROFILE)]
        ends += [(-inf, inf, half if j == 0 else 0.1 * half) for j in range(PROFILE)]
    else:
        names += ["coulomb", "friction_share"]
        ends += [(0.0, inf, half), (0.0, 1.0, 0.01)]
    low_end, high_end, start_at = np.array(ends).T
    return motion, load, sign, tuple(names), low_end, high_end, start_at


def _with_errors(
    value: Floats, jacobian: Floats, residual: Floats, names: tuple[str, ...], low: Floats, high: Floats,
    shape: PairShape, noise: float, converged: bool,
) -> PairFit:  # fmt: skip
    """Standard errors of the parameters that lie clear of their bounds; the others count as fixed."""
    n = residual.size
    size = np.linalg.norm(jacobian, axis=0)
    room = np.minimum(value - low, high - value)
    scale = np.maximum(np.abs(value), 1e-12)
    free = (size > 0.0) & (room > AT_BOUND * scale)
    half = n // 2
    rho = max(float(np.mean([_correlation(r) for r in (residual[:half], residual[half:])])), 0.0)
    independent = n * (1.0 - rho) / (1.0 + rho)
    dof = max(independent - float(free.sum()), 1.0)
    s2 = max(float(residual @ residual) / max(n - float(free.sum()), 1.0), noise**2) * (n / max(independent, 1.0))
    covariance = np.full((value.size, value.size), nan)
    u = np.full(value.size, nan)
    vague: list[str] = []
    if free.any():
        scaled = jacobian[:, free] / size[free]
        inverse = np.linalg.pinv(scaled.T @ scaled, rcond=1e-12)
        inside = s2 * inverse / np.outer(size[free], size[free])
        places = np.flatnonzero(free)
        covariance[np.ix_(places, places)] = inside
        u[places] = np.sqrt(np.maximum(np.diag(inside), 0.0))
        vague += vague_names(inverse, [names[i] for i in places])
    for name in vague:
        u[names.index(name)] = nan
    rms = sqrt(float(np.mean(residual**2)))
    return PairFit(shape, names, value, u, covariance, dof, rms, tuple(vague), converged and isfinite(rms))


def vague_names(inverse: Floats, names: list[str]) -> list[str]:
    """Parameters that others can replace: their multiple correlation is over 0.999.

    Parameters
    ----------
    inverse : float64 array, shape (p, p)
        (JᵀJ)⁻¹ of a Jacobian whose columns have length 1.
    names : list of str

    Returns
    -------
    list of str
    """
    # of unit columns (JᵀJ)⁻¹ has 1/(1 - R²) on its diagonal
    with np.errstate(divide="ignore", invalid="ignore"):
        multiple = np.sqrt(np.maximum(1.0 - 1.0 / np.diag(inverse), 0.0))
    return [name for name, r in zip(names, multiple, strict=True) if not r <= MOST_CORRELATION]


def _correlation(r: Floats) -> float:
    total = float(r @ r)
    return float(r[1:] @ r[:-1]) / total if total > 0.0 else 0.0
