"""Losses of a loop: dry friction, Berg's friction of rubber, and the spring-pot; which tests tell them apart.

References
----------
M. Berg, Vehicle System Dynamics 30 (1998) 197: friction from the last reversal (from memory; the closed forms are
verified against the branches in the tests). Spring-pot: T* = K (1 + (iωτ)^α), fractional Kelvin-Voigt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, inf, log, nan, pi, sin, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
LEAST_DECADE = 10.0
LEAST_RATES = 3
LEAST_AMPLITUDES = 3
LIKE = 0.1  # rates and amplitudes within 10 % of each other count as one


def berg_turn(amplitude: float, most: float, x2: float) -> float:
    """Friction force at the turn of a steady cycle of ± amplitude: F_max/(2 x2) (√(x2² + X² + 6 x2 X) - x2 - X).

    Parameters
    ----------
    amplitude : float
        X, half of the motion's range, in any unit.
    most : float
        F_max, in any unit of load.
    x2 : float
        Way from no friction at which half of F_max is reached, in the unit of the amplitude, > 0.

    Returns
    -------
    float
        In the unit of ``most``, below it.

    Notes
    -----
    M. Berg, Vehicle System Dynamics 30 (1998) 197; from memory, not looked up.
    """
    x = amplitude
    return most / (2.0 * x2) * (sqrt(x2**2 + x**2 + 6.0 * x2 * x) - x2 - x)


def berg_area(amplitude: float, most: float, x2: float) -> float:
    """Loss of a steady cycle: 2 F_max (2 X - x2 (1 + μ)² ln((x2 (1 + μ) + 2 X)/(x2 (1 + μ)))), μ = F_turn/F_max.

    Parameters
    ----------
    amplitude, most, x2 : float
        As for :func:`berg_turn`; ``most`` and ``amplitude`` are above zero.

    Returns
    -------
    float
        In the unit of ``most`` times that of ``amplitude``, for one cycle.

    Notes
    -----
    The branches of :func:`berg_branch` between the turns, integrated; plain arithmetic.
    """
    mu = berg_turn(amplitude, most, x2) / most
    edge = x2 * (1.0 + mu)
    return 2.0 * most * (2.0 * amplitude - edge * (1.0 + mu) * log((edge + 2.0 * amplitude) / edge))


def berg_branch(x: ArrayLike, start_x: float, start_force: float, most: float, x2: float, sign: float) -> Floats:
    """Friction force after a reversal at (start_x, start_force), motion of ``sign`` (1 rising, -1 falling).

    Parameters
    ----------
    x : array_like, any shape
        Motion after the reversal, in the unit of ``x2``.
    start_x, start_force : float
        Motion and friction force at the reversal.
    most, x2 : float
        As for :func:`berg_turn`.
    sign : float
        1 or -1.

    Returns
    -------
    float64 array, same shape
        In the unit of ``most``.

    Notes
    -----
    F = F_s + (x − x_s)(F_max ∓ F_s)/(x₂(1 ∓ μ) ± (x − x_s)), μ = F_s/F_max: M. Berg, Vehicle System Dynamics 30
    (1998) 197; from memory, not looked up.
    """
    d = np.abs(np.asarray(x, np.float64) - start_x)
    mu = start_force / most
    return np.asarray(start_force + sign * d * most * (1.0 - sign * mu) / (x2 * (1.0 - sign * mu) + d))


def spring_pot(rate: float, stiffness: float, tau: float, alpha: float) -> tuple[float, float]:
    """Storage and loss stiffness at an angular rate [rad/s].

    Parameters
    ----------
    rate : float
        Angular rate ω [rad/s], > 0.
    stiffness : float
        K, stiffness at rest, in any unit.
    tau : float
        τ [s], > 0.
    alpha : float
        α, from 0 (all storage) to 1 (all viscous).

    Returns
    -------
    storage, loss : float
        In the unit of ``stiffness``.

    Notes
    -----
    T* = K (1 + (iωτ)^α), fractional Kelvin-Voigt; from memory, not looked up.
    """
    b = (rate * tau) ** alpha
    return stiffness * (1.0 + b * cos(0.5 * pi * alpha)), stiffness * b * sin(0.5 * pi * alpha)


@dataclass(frozen=True)
class LossPoint:
    """One loop: amplitude (half range of motion), angular rate [rad/s] of its fundamental, secant and area."""

    amplitude: float
    rate: float
    secant: float
    area: float


@dataclass(frozen=True)
class LossLaw:
    """A law of loss.

    Attributes
    ----------
    name : str
        "coulomb", "berg" or "spring-pot".
    parameters : tuple of pairs
        Name, value and standard error; empty where refused.
    rms : float
        Of the relative errors of the areas.
    refused : str
        Why the loops do not identify it, and what to measure next; empty where they do.
    """

    name: str
    parameters: tuple[tuple[str, float, float], ...]
    rms: float
    refused: str


def distinct(values: Sequence[float]) -> list[float]:
    """Values apart by more than 10 %, rising.

    Parameters
    ----------
    values : sequence of float
        Above zero, in any unit.

    Returns
    -------
    list of float
        The least of each group of like ones.
    """
    found: list[float] = []
    for value in sorted(values):
        if not found or value > (1.0 + LIKE) * found[-1]:
            found.append(value)
    return found


def loss_laws(points: Sequence[LossPoint]) -> tuple[LossLaw, ...]:
    """Fit the laws that the loops identify, and refuse the others with what to measure next.

    Parameters
    ----------
    points : sequence of LossPoint
        Loops of one set at one setting.

    Returns
    -------
    tuple of LossLaw
        Coulomb, Berg and spring-pot, in this order.

    Notes
    -----
    At one rate friction and viscosity are one number: on a triangle wave their regressors are identical, on one sine
    they correlate by 2√2/π = 0.900.
    """
    rates, sizes = distinct([p.rate for p in points]), distinct([p.amplitude for p in points])
    return (_coulomb(points, rates), _berg(points, sizes, rates), _spring_pot(points, rates))


def _refuse(name: str, why: str) -> LossLaw:
    return LossLaw(name, (), nan, why)


def _coulomb(points: Sequence[LossPoint], rates: list[float]) -> LossLaw:
    """area = 4 T_c X at all rates."""
    if len(rates) < 2:
        return _refuse(
            "coulomb", "one rate cannot tell friction from viscosity: measure the same setting at a rate ten times "
            "slower or faster",
        )  # fmt: skip
    value = np.array([p.area / (4.0 * p.amplitude) for p in points])
    mean = float(value.mean())
    u = float(value.std(ddof=1)) / sqrt(value.size)
    rms = float(np.sqrt(np.mean((value / mean - 1.0) ** 2))) if mean else nan
    return LossLaw("coulomb", (("torque", mean, u),), rms, "")


def _berg(points: Sequence[LossPoint], sizes: list[float], rates: list[float]) -> LossLaw:
    if len(sizes) < LEAST_AMPLITUDES:
        return _refuse(
            "berg",
            f"{len(sizes)} amplitude(s), {LEAST_AMPLITUDES} are needed: half and a quarter of the largest",
        )
    slowest = max(
        (_slowest(points, [p.rate * by for p, by in zip(points, scale, strict=True)])
         for scale in ([1.0] * len(points), [p.amplitude for p in points])),
        key=lambda some: len(distinct([p.amplitude for p in some])),
    )  # fmt: skip
    if len(distinct([p.amplitude for p in slowest])) < LEAST_AMPLITUDES:
        return _refuse(
            "berg", "the amplitudes are not at one rate: measure them all at the slowest one, of cycles or of motion"
        )
    area = np.array([p.area for p in slowest])
    x = np.array([p.amplitude for p in slowest])
    start = [log(max(float((area / (4.0 * x)).max()), 1e-12)), log(0.2 * float(x.max()))]

    def residual(p: Floats) -> Floats:
        most, x2 = np.exp(p)
        return np.asarray(np.array([berg_area(float(a), float(most), float(x2)) for a in x]) / area - 1.0)

    return _fitted("berg", residual, start, ("F_max", "x2"))


def _slowest(points: Sequence[LossPoint], rates: list[float]) -> list[LossPoint]:
    return [p for p, rate in zip(points, rates, strict=True) if rate <= (1.0 + LIKE) * min(rates)]


def _spring_pot(points: Sequence[LossPoint], rates: list[float]) -> LossLaw:
    """Storage by the secants, loss by the areas π K″ X², from rates over a decade."""
    if len(rates) < LEAST_RATES or rates[-1] < LEAST_DECADE * rates[0]:
        return _refuse(
            "spring-pot", f"{len(rates)} rate(s): three over a decade are needed, a walking rate (0.5 to 1 Hz) in them",
        )  # fmt: skip
    w = np.array([p.rate for p in points])
    storage = np.array([p.secant for p in points])
    loss = np.array([p.area / (pi * p.amplitude**2) for p in points])
    middle = sqrt(rates[0] * rates[-1])
    ratio = float(np.median(loss / storage))
    start = [log(float(storage.min())), log(max(2.0 * ratio, 1e-3)), 0.3]

    def residual(p: Floats) -> Floats:
        both = [
            spring_pot(float(one) / middle, float(np.exp(p[0])), float(np.exp(p[1] / max(p[2], 1e-3))), p[2])
            for one in w
        ]
        k1, k2 = np.array(both).T
        return np.concatenate([k1 / storage - 1.0, k2 / loss - 1.0])

    return _fitted("spring-pot", residual, start, ("stiffness", "b_middle"), plain=("alpha",), bounds=(0.01, 0.99))


def _fitted(
    name: str, residual: object, start: list[float], logs: tuple[str, ...], plain: tuple[str, ...] = (),
    bounds: tuple[float, float] = (-inf, inf),
) -> LossLaw:  # fmt: skip
    """Least squares over logarithms of positive parameters, then plain ones within bounds."""
    from scipy.optimize import least_squares

    low = [-inf] * len(logs) + [bounds[0]] * len(plain)
    high = [inf] * len(logs) + [bounds[1]] * len(plain)
    found = least_squares(residual, start, bounds=(low, high))
    dof = max(found.fun.size - len(start), 1)
    s2 = float(found.fun @ found.fun) / dof
    u = np.sqrt(np.maximum(np.diag(np.linalg.pinv(found.jac.T @ found.jac)), 0.0) * s2)
    values = [*np.exp(found.x[: len(logs)]), *found.x[len(logs) :]]
    errors = [*(values[: len(logs)] * u[: len(logs)]), *u[len(logs) :]]
    rms = float(np.sqrt(np.mean(found.fun**2)))
    rows = zip((*logs, *plain), values, errors, strict=True)
    return LossLaw(name, tuple((n, float(v), float(e)) for n, v, e in rows), rms, "")
