"""Creep laws as rows of a table: each a constant and one or two terms in time.

Every law is θ(t) = θ₀ + Σ aₖ·fₖ(t; shape), linear in θ₀ and the aₖ, with one shape parameter at most,
so a sum of laws is a longer row. Time is in seconds since load entered its band, t > 0.

References
----------
W. N. Findley, J. S. Lai, K. Onaran, *Creep and Relaxation of Nonlinear Viscoelastic Materials*
(North-Holland 1976): power law ch. 12, Kelvin and Burgers ch. 5; E. N. da C. Andrade,
Proc. R. Soc. A 84 (1910) 1: t^(1/3) and steady flow. [M] from memory, not verified.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.errors import BenchpipeError, nearest

Floats = NDArray[np.float64]
TRIALS = 12
"""Shapes tried for a start."""
Kind = Literal["nothing", "settling", "leaking", "both"]


@dataclass(frozen=True)
class Term:
    """One function of time f(t, q) with its derivatives, q the shape parameter (unused by some).

    ``kind`` says what a positive amplitude of it means: a motion that dies out, or one that goes on.
    """

    name: str
    kind: Kind
    value: Callable[[Floats, float], Floats]
    by_time: Callable[[Floats, float], Floats]
    by_shape: Callable[[Floats, float], Floats] | None = None
    by_both: Callable[[Floats, float], Floats] | None = None
    shape: str = ""
    shape_range: Callable[[float, float], tuple[float, float]] | None = None


LEAK = Term("leak", "leaking", lambda t, q: t, lambda t, q: np.ones_like(t))
LOG = Term("log", "settling", lambda t, q: np.log10(t), lambda t, q: 1 / (t * np.log(10)))
CUBE_ROOT = Term("cube root", "settling", lambda t, q: np.cbrt(t), lambda t, q: np.cbrt(t) / (3 * t))
POWER = Term(
    "power",
    "settling",
    lambda t, q: t**q,
    lambda t, q: q * t ** (q - 1),
    lambda t, q: t**q * np.log(t),
    lambda t, q: t ** (q - 1) * (1 + q * np.log(t)),
    shape="exponent",
    shape_range=lambda first, last: (0.02, 0.95),
)
KELVIN = Term(
    "kelvin",
    "settling",
    lambda t, q: -np.expm1(-t / q),
    lambda t, q: np.exp(-t / q) / q,
    lambda t, q: -t / q**2 * np.exp(-t / q),
    lambda t, q: (t / q - 1) / q**2 * np.exp(-t / q),
    shape="time constant",
    shape_range=lambda first, last: (first / 2, last),
)


@dataclass(frozen=True)
class CreepLaw:
    """One row of the table: its trade name and its terms.

    The parameter vector is (θ₀, amplitude of each term, shape where the law has one). All functions
    take t of shape (n,) [s] and p of shape (parameters,); gradients are of shape (n, parameters).
    """

    name: str
    kind: Kind
    terms: tuple[Term, ...]

    @property
    def shaped(self) -> Term | None:
        """The term that carries the shape parameter, if any."""
        return next((term for term in self.terms if term.shape), None)

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of the parameters."""
        names = ("offset", *(term.name for term in self.terms))
        return (*names, self.shaped.shape) if self.shaped else names

    def basis(self, t: Floats, shape: float) -> Floats:
        """Columns that the law is linear in at one shape: 1 and each term, shape (n, 1 + terms)."""
        return np.stack([np.ones_like(t), *(term.value(t, shape) for term in self.terms)], axis=-1)

    def value(self, t: Floats, p: Floats) -> Floats:
        """Motion θ(t)."""
        return np.asarray(self.basis(t, p[-1]) @ p[: 1 + len(self.terms)])

    def gradient(self, t: Floats, p: Floats) -> Floats:
        """dθ/dp."""
        return self._with_shape(self.basis(t, p[-1]), t, p, "by_shape")

    def rate(self, t: Floats, p: Floats) -> Floats:
        """Rate dθ/dt [1/s]."""
        return np.asarray(self._rate_basis(t, p[-1]) @ p[: 1 + len(self.terms)])

    def rate_gradient(self, t: Floats, p: Floats) -> Floats:
        """d(dθ/dt)/dp."""
        return self._with_shape(self._rate_basis(t, p[-1]), t, p, "by_both")

    def bounds(self, first: float, last: float) -> tuple[Floats, Floats]:
        """Low and high bound of each parameter for data between two times [s]; amplitudes are free."""
        low, high = (np.full(len(self.parameters), v) for v in (-np.inf, np.inf))
        if self.shaped and self.shaped.shape_range:
            low[-1], high[-1] = self.shaped.shape_range(first, last)
        return low, high

    def _rate_basis(self, t: Floats, shape: float) -> Floats:
        return np.stack([np.zeros_like(t), *(term.by_time(t, shape) for term in self.terms)], axis=-1)

    def _with_shape(self, columns: Floats, t: Floats, p: Floats, derivative: str) -> Floats:
        """Append the column of the shape parameter: amplitude × derivative of its term."""
        for k, term in enumerate(self.terms, start=1):
            if term.shape:
                extra = p[k] * getattr(term, derivative)(t, p[-1])
                return np.concatenate([columns, extra[..., None]], axis=-1)
        return columns


NO_MOTION = CreepLaw("no motion", "nothing", ())
STEADY_LEAK = CreepLaw("steady leak", "leaking", (LEAK,))
LOG_TIME = CreepLaw("log time", "settling", (LOG,))
FINDLEY = CreepLaw("Findley power", "settling", (POWER,))
KELVIN_BODY = CreepLaw("Kelvin", "settling", (KELVIN,))
BURGERS = CreepLaw("Burgers", "both", (KELVIN, LEAK))
ANDRADE = CreepLaw("Andrade", "both", (CUBE_ROOT, LEAK))
LOG_AND_LEAK = CreepLaw("log time and leak", "both", (LOG, LEAK))
FINDLEY_AND_LEAK = CreepLaw("Findley power and leak", "both", (POWER, LEAK))

LAWS = (
    NO_MOTION,
    STEADY_LEAK,
    LOG_TIME,
    FINDLEY,
    KELVIN_BODY,
    BURGERS,
    ANDRADE,
    LOG_AND_LEAK,
    FINDLEY_AND_LEAK,
)
"""The table. Burgers is Kelvin and leak under a constant load."""


def law_named(name: str) -> CreepLaw:
    """Row of the table by its name.

    Raises
    ------
    BenchpipeError
        No row has that name.
    """
    for law in LAWS:
        if law.name == name:
            return law
    raise BenchpipeError(f"no creep law is called '{name}'", do_next=nearest(name, [law.name for law in LAWS]))


def start(law: CreepLaw, t: Floats, motion: Floats, whiten: Callable[[Floats], Floats]) -> Floats:
    """Starting parameters: the best linear fit over all shapes.

    The shape is sought on a grid between its bounds, even in log, then between the neighbours of the
    best: a law is linear in all else, so there is no better start to be missed than between two rows.

    Parameters
    ----------
    law : CreepLaw
    t, motion : ndarray, shape (n,), s and any unit
    whiten : callable
        Gives errors unit relative variance: readings or columns in, the same shape out.

    Returns
    -------
    ndarray, shape (parameters,)
    """
    aim = whiten(motion)

    def linear(shape: float) -> tuple[float, Floats]:
        columns = whiten(law.basis(t, shape))
        size = np.sqrt(np.sum(columns**2, axis=0))
        amplitudes = np.linalg.lstsq(columns / size, aim, rcond=None)[0] / size
        left = aim - columns @ amplitudes
        return float(left @ left), amplitudes

    if not law.shaped:
        return linear(np.nan)[1]
    low, high = (float(b[-1]) for b in law.bounds(float(t[0]), float(t[-1])))
    shapes = np.geomspace(low, high, TRIALS + 2)
    k = min(range(1, TRIALS + 1), key=lambda k: linear(float(shapes[k]))[0])
    from scipy.optimize import minimize_scalar

    near = minimize_scalar(
        lambda u: linear(float(np.exp(u)))[0],
        bounds=(np.log(shapes[k - 1]), np.log(shapes[k + 1])),
        method="bounded",
        options={"xatol": 1e-5},
    )
    shape = float(np.exp(near.x))
    return np.append(linear(shape)[1], shape)
