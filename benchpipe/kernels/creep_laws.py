"""Creep laws as rows of a table: each a constant and one or two terms in time.

Every law is θ(t) = θ₀ + Σ aₖ·fₖ(t; shapes), linear in θ₀ and the aₖ, with two shape parameters at most,
so a sum of laws is a longer row. Time is in seconds since load entered its band, t > 0.

References
----------
W. N. Findley, J. S. Lai, K. Onaran, *Creep and Relaxation of Nonlinear Viscoelastic Materials*
(North-Holland 1976): power law ch. 12, Kelvin and Burgers ch. 5; E. N. da C. Andrade,
Proc. R. Soc. A 84 (1910) 1: t^(1/3) and steady flow; G. Williams & D. C. Watts, Trans. Faraday Soc. 66
(1970) 80: stretched exponential. Written from memory; not checked against the document.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.errors import BenchpipeError, nearest

Floats = NDArray[np.float64]
TRIALS = 12
"""Shapes tried for a start."""
PAIR_TRIALS = 7
"""The same for each of two."""
SLOWEST_KELVIN = 1.0
"""Time constants up to this part of the data: a slower one is not separable from a leak."""
Kind = Literal["nothing", "settling", "leaking", "both"]
TimeFunction = Callable[[Floats, Floats], Floats]
"""A function of time [s] and of the term's own shape parameters, shape (shapes,)."""


@dataclass(frozen=True)
class Shape:
    """A shape parameter of a term: its name, and its bounds for data between two times [s]."""

    name: str
    between: Callable[[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Term:
    """One function of time f(t, q) with its derivatives, q its shape parameters (none for some).

    ``kind`` says what a positive amplitude of it means: a motion that dies out, or one that goes on.
    ``by_shape`` and ``by_both`` (by shape and time) hold one function a shape parameter.
    """

    name: str
    kind: Kind
    value: TimeFunction
    by_time: TimeFunction
    shapes: tuple[Shape, ...] = ()
    by_shape: tuple[TimeFunction, ...] = ()
    by_both: tuple[TimeFunction, ...] = ()


def _stretch(t: Floats, q: Floats) -> Floats:
    """(t/τ)^β."""
    return np.asarray((t / q[0]) ** q[1])


def _kelvin(name: str, constant: str) -> Term:
    return Term(
        name,
        "settling",
        lambda t, q: -np.expm1(-t / q[0]),
        lambda t, q: np.exp(-t / q[0]) / q[0],
        (Shape(constant, lambda first, last: (first / 2, SLOWEST_KELVIN * last)),),
        (lambda t, q: -t / q[0] ** 2 * np.exp(-t / q[0]),),
        (lambda t, q: (t / q[0] - 1) / q[0] ** 2 * np.exp(-t / q[0]),),
    )


LEAK = Term("leak", "leaking", lambda t, q: t, lambda t, q: np.ones_like(t))
LOG = Term("log", "settling", lambda t, q: np.log10(t), lambda t, q: 1 / (t * np.log(10)))
CUBE_ROOT = Term("cube root", "settling", lambda t, q: np.cbrt(t), lambda t, q: np.cbrt(t) / (3 * t))
POWER = Term(
    "power",
    "settling",
    lambda t, q: t ** q[0],
    lambda t, q: q[0] * t ** (q[0] - 1),
    (Shape("exponent", lambda first, last: (0.02, 0.95)),),
    (lambda t, q: t ** q[0] * np.log(t),),
    (lambda t, q: t ** (q[0] - 1) * (1 + q[0] * np.log(t)),),
)
KELVIN = _kelvin("kelvin", "time constant")
SECOND_KELVIN = _kelvin("second kelvin", "second time constant")
OFFSET_LOG = Term(
    "offset log",
    "settling",
    lambda t, q: np.log1p(t / q[0]) / np.log(10),
    lambda t, q: 1 / ((q[0] + t) * np.log(10)),
    (Shape("time offset", lambda first, last: (first / 30, last)),),
    (lambda t, q: -t / (q[0] * (q[0] + t) * np.log(10)),),
    (lambda t, q: -1 / ((q[0] + t) ** 2 * np.log(10)),),
)
STRETCHED = Term(
    "stretched",
    "settling",
    lambda t, q: -np.expm1(-_stretch(t, q)),
    lambda t, q: q[1] / t * _stretch(t, q) * np.exp(-_stretch(t, q)),
    (
        Shape("time constant", lambda first, last: (first / 2, last)),
        Shape("stretching exponent", lambda first, last: (0.1, 0.98)),
    ),
    (
        lambda t, q: -q[1] / q[0] * _stretch(t, q) * np.exp(-_stretch(t, q)),
        lambda t, q: np.log(t / q[0]) * _stretch(t, q) * np.exp(-_stretch(t, q)),
    ),
    (
        lambda t, q: q[1] ** 2 / (t * q[0]) * (_stretch(t, q) - 1) * _stretch(t, q) * np.exp(-_stretch(t, q)),
        lambda t, q: (
            (1 + q[1] * np.log(t / q[0]) * (1 - _stretch(t, q))) / t * _stretch(t, q) * np.exp(-_stretch(t, q))
        ),
    ),
)


@dataclass(frozen=True)
class CreepLaw:
    """One row of the table: its trade name and its terms.

    The parameter vector is (θ₀, amplitude of each term, each shape in the order of the terms). All functions
    take t of shape (n,) [s] and p of shape (parameters,); gradients are of shape (n, parameters).
    """

    name: str
    kind: Kind
    terms: tuple[Term, ...]

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """Shape parameters of all terms."""
        return tuple(shape for term in self.terms for shape in term.shapes)

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return ("offset", *(term.name for term in self.terms), *(shape.name for shape in self.shapes))

    def basis(self, t: Floats, shapes: ArrayLike) -> Floats:
        """Columns that the law is linear in at given shapes: 1 and each term, shape (n, 1 + terms)."""
        return np.stack([np.ones_like(t), *(term.value(t, q) for term, q in self._split(shapes))], axis=-1)

    def value(self, t: Floats, p: Floats) -> Floats:
        """Motion θ(t)."""
        return np.asarray(self.basis(t, p[self._linear :]) @ p[: self._linear])

    def gradient(self, t: Floats, p: Floats) -> Floats:
        """dθ/dp."""
        return self._with_shapes(self.basis(t, p[self._linear :]), t, p, "by_shape")

    def rate(self, t: Floats, p: Floats) -> Floats:
        """Rate dθ/dt [1/s]."""
        return np.asarray(self._rate_basis(t, p[self._linear :]) @ p[: self._linear])

    def rate_gradient(self, t: Floats, p: Floats) -> Floats:
        """d(dθ/dt)/dp."""
        return self._with_shapes(self._rate_basis(t, p[self._linear :]), t, p, "by_both")

    def bounds(self, first: float, last: float) -> tuple[Floats, Floats]:
        """Low and high bound of each parameter for data between two times [s]; amplitudes are free."""
        low, high = (np.full(len(self.parameters), v) for v in (-np.inf, np.inf))
        for k, shape in enumerate(self.shapes, start=self._linear):
            low[k], high[k] = shape.between(first, last)
        return low, high

    @property
    def _linear(self) -> int:
        """Parameters that the law is linear in; they stand first."""
        return 1 + len(self.terms)

    def _split(self, shapes: ArrayLike) -> Iterator[tuple[Term, Floats]]:
        """Each term with its own shape parameters."""
        q, at = np.atleast_1d(np.asarray(shapes)), 0
        for term in self.terms:
            yield term, q[at : at + len(term.shapes)]
            at += len(term.shapes)

    def _rate_basis(self, t: Floats, shapes: ArrayLike) -> Floats:
        return np.stack([np.zeros_like(t), *(term.by_time(t, q) for term, q in self._split(shapes))], axis=-1)

    def _with_shapes(self, columns: Floats, t: Floats, p: Floats, derivative: str) -> Floats:
        """Append the columns of the shape parameters: amplitude × derivative of their term."""
        more = [
            p[k] * one(t, q)
            for k, (term, q) in enumerate(self._split(p[self._linear :]), start=1)
            for one in getattr(term, derivative)
        ]
        return np.column_stack([columns, *more]) if more else columns


NO_MOTION = CreepLaw("no motion", "nothing", ())
STEADY_LEAK = CreepLaw("steady leak", "leaking", (LEAK,))
LOG_TIME = CreepLaw("log time", "settling", (LOG,))
FINDLEY = CreepLaw("Findley power", "settling", (POWER,))
KELVIN_BODY = CreepLaw("Kelvin", "settling", (KELVIN,))
OFFSET_LOG_TIME = CreepLaw("log time with offset", "settling", (OFFSET_LOG,))
STRETCHED_EXPONENTIAL = CreepLaw("stretched exponential", "settling", (STRETCHED,))
TWO_KELVINS = CreepLaw("two Kelvin", "settling", (KELVIN, SECOND_KELVIN))
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
    OFFSET_LOG_TIME,
    STRETCHED_EXPONENTIAL,
    TWO_KELVINS,
    BURGERS,
    ANDRADE,
    LOG_AND_LEAK,
    FINDLEY_AND_LEAK,
)
"""The table. Burgers is Kelvin and leak under a constant load."""


def law_named(name: str) -> CreepLaw:
    """Row of the table by its name.

    Parameters
    ----------
    name : str
        As in `LAWS`.

    Returns
    -------
    CreepLaw

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

    The shapes are sought on a grid between their bounds, even in log, then between the neighbours of the
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

    def linear(shapes: Sequence[float]) -> tuple[float, Floats]:
        columns = whiten(law.basis(t, shapes))
        size = np.sqrt(np.sum(columns**2, axis=0))
        amplitudes = np.linalg.lstsq(columns / size, aim, rcond=None)[0] / size
        left = aim - columns @ amplitudes
        return float(left @ left), amplitudes

    many = len(law.shapes)
    if not many:
        return linear(())[1]
    low, high = (b[-many:] for b in law.bounds(float(t[0]), float(t[-1])))
    grids = [np.geomspace(a, b, (TRIALS if many == 1 else PAIR_TRIALS) + 2) for a, b in zip(low, high, strict=True)]
    alike = many == 2 and len(law.terms) == 2  # two bodies of one kind: the first is the faster
    places = product(*(range(1, grid.size - 1) for grid in grids))
    tried = [k for k in places if not alike or k[0] < k[1]]
    best = min(tried, key=lambda k: linear([float(grid[i]) for grid, i in zip(grids, k, strict=True)])[0])
    near = [(float(np.log(grid[i - 1])), float(np.log(grid[i + 1]))) for grid, i in zip(grids, best, strict=True)]
    shapes = [float(grid[i]) for grid, i in zip(grids, best, strict=True)]
    from scipy.optimize import minimize, minimize_scalar

    if many == 1:
        found = minimize_scalar(
            lambda u: linear([float(np.exp(u))])[0], bounds=near[0], method="bounded", options={"xatol": 1e-5}
        )
        shapes = [float(np.exp(found.x))]
    else:
        found = minimize(
            lambda u: linear(np.exp(u).tolist())[0],
            np.log(shapes),
            bounds=near,
            method="Nelder-Mead",
            options={"maxfev": 60},
        )
        shapes = np.exp(found.x).tolist()
    return np.append(linear(shapes)[1], shapes)
