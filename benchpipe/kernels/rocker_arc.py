"""The arc through the points of a rocker: its curvature, exact from a tight circle through flat to hollow.

A radius has no finite value on a flat foot, and an algebraic circle fit invents a tight one there. So the curvature is
fitted, by the orthogonal distances of the points. With ``u`` and ``v`` along and across the tangent (``v`` less the
offset), ``e = v - k(u² + v²)/2`` and ``q = sqrt(1 - 2 k e)``, the signed distance is ``2 e/(1 + q)``: smooth through
``k = 0``. Lengths are scaled by the spread of the points about their centroid.

References
----------
V. Karimäki, Nucl. Instrum. Meth. A 305 (1991) 187 (the form of the distance); written from memory, not checked. Its
fits of the points of W. Gander, G. H. Golub & R. Strebel, BIT 34 (1994) 558, and of the SciPy cookbook ("Least Squares
Circle") are compared with their answers in the tests.
The derivatives follow from ``d - k d²/2 = e``. G. Taubin, IEEE Trans. PAMI 13 (1991) 1115: one of the two starts;
written from memory, compared with an independent package in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, hypot, isfinite, nan, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST = 5
"""Points below which no arc is fitted: three make any circle."""
FIRST = 400
"""Points that the search begins with, at most."""
STEPS = 60
SMALL = 1e-12
"""Relative gain of the sum of squares at which the search ends."""


@dataclass(frozen=True, eq=False)
class ArcResult:
    """An arc; NaN where none could be fitted.

    Attributes
    ----------
    curvature : float
        [1/unit of the points]; above zero where the centre lies above the points, as in a rocker.
    tangent : float
        Direction of the arc at its point nearest to the centroid [rad from the x axis].
    centre_x, centre_y : float
        Centre of the circle; infinite for a line.
    rms : float
        Root mean square of the orthogonal distances.
    length : float
        Length of the arc between the feet of its first and last point.
    distance : float64 array, shape (n,)
        Signed orthogonal distances, in order.
    gradient : float64 array, shape (n, 3)
        Of the distances to curvature, direction and offset, in the scaled lengths; ``scale`` is one of them, ``offset``
        the arc's from the centroid.
    """

    curvature: float
    tangent: float
    centre_x: float
    centre_y: float
    rms: float
    length: float
    distance: Floats
    gradient: Floats
    scale: float
    offset: float
    n_used: int
    converged: bool

    @property
    def radius(self) -> float:
        """One by the curvature."""
        return 1.0 / self.curvature if self.curvature else float("inf")


def fit_arc(x: Floats, y: Floats) -> ArcResult:
    """Fit an arc by orthogonal least squares.

    Parameters
    ----------
    x, y : float64 arrays, shape (n,)
        Points in order along the arc, finite, in one unit.

    Returns
    -------
    ArcResult
        Not ``converged`` for fewer than five points, or points in one place.
    """
    n = int(x.size)
    none = ArcResult(nan, nan, nan, nan, nan, nan, np.empty(0), np.empty((0, 3)), nan, nan, n, False)
    if n < FEWEST:
        return none
    middle_x, middle_y = float(x.mean()), float(y.mean())
    a, b = x - middle_x, y - middle_y
    scale = sqrt(float(a @ a + b @ b) / n)
    if not (isfinite(scale) and scale > 0):
        return none
    a, b = a / scale, b / scale
    some = slice(None, None, -(-n // FIRST))
    few_a, few_b = a[some], b[some]
    starts = [start for start in (_parabola(few_a, few_b), _taubin(few_a, few_b)) if all(map(isfinite, start))]
    if not starts:
        return none
    found = min(starts, key=lambda start: _squares(_distance(few_a, few_b, start)))
    if n > FIRST:
        found = _search(few_a, few_b, found)[0]
    found, distance, gradient, converged = _search(a, b, found)
    curvature, direction, offset = found
    if cos(direction) < 0:  # the tangent points forward, and "above" is up
        curvature, direction, offset = -curvature, direction - pi, -offset
        distance, gradient = -distance, gradient * np.array([1.0, -1.0, 1.0])
    direction = atan2(sin(direction), cos(direction))
    along = cos(direction) * a + sin(direction) * b
    across = -sin(direction) * a + cos(direction) * b - offset
    swept = np.arctan2(curvature * along[[0, -1]], 1.0 - curvature * across[[0, -1]])
    length = abs(float(swept[1] - swept[0]) / curvature) if abs(curvature) > 1e-9 else abs(float(along[-1] - along[0]))
    reach = offset + (1.0 / curvature if curvature else float("inf"))
    return ArcResult(
        curvature=curvature / scale,
        tangent=direction,
        centre_x=middle_x - scale * sin(direction) * reach,
        centre_y=middle_y + scale * cos(direction) * reach,
        rms=scale * sqrt(_squares(distance) / n),
        length=scale * length,
        distance=scale * distance,
        gradient=gradient,
        scale=scale,
        offset=offset,
        n_used=n,
        converged=converged,
    )


def curvature_change(arc: ArcResult, x: Floats, y: Floats, dx: Floats, dy: Floats) -> float:
    """How the curvature changes where the points that an arc was fitted to move a little, to first order.

    Parameters
    ----------
    arc : ArcResult
        Fitted to the points.
    x, y : float64 arrays, shape (n,)
        The points, in the unit of the fit.
    dx, dy : float64 arrays, shape (n,)
        Their moves, in the same unit; the result is for moves of this size.

    Returns
    -------
    float
        In one over that unit; NaN where the arc's fit did not converge.
    """
    if not arc.converged:
        return nan
    cosine, sine, k = cos(arc.tangent), sin(arc.tangent), arc.curvature * arc.scale
    a, b = (x - x.mean()) / arc.scale, (y - y.mean()) / arc.scale
    u, v = cosine * a + sine * b, cosine * b - sine * a - arc.offset
    q = np.sqrt((1.0 - k * v) ** 2 + (k * u) ** 2)
    moved = ((1.0 - k * v) * (cosine * dy - sine * dx) - k * u * (cosine * dx + sine * dy)) / (q * arc.scale)
    step = np.linalg.solve(arc.gradient.T @ arc.gradient, arc.gradient.T @ moved)
    return -float(step[0]) / arc.scale


Arc = tuple[float, float, float]
"""Curvature, direction, offset."""


def _squares(distance: Floats) -> float:
    return float(distance @ distance)


def _distance(a: Floats, b: Floats, arc: Arc) -> Floats:
    curvature, direction, offset = arc
    u = cos(direction) * a + sin(direction) * b
    v = cos(direction) * b - sin(direction) * a - offset
    e = v - 0.5 * curvature * (u * u + v * v)
    return np.asarray(2.0 * e / (1.0 + np.sqrt(np.maximum(1.0 - 2.0 * curvature * e, 0.0))))


def _distance_and_gradient(a: Floats, b: Floats, arc: Arc) -> tuple[Floats, Floats]:
    curvature, direction, offset = arc
    u = cos(direction) * a + sin(direction) * b
    v = cos(direction) * b - sin(direction) * a - offset
    square = u * u + v * v
    e = v - 0.5 * curvature * square
    q = np.sqrt(np.maximum(1.0 - 2.0 * curvature * e, 1e-24))
    distance = 2.0 * e / (1.0 + q)
    gradient = np.empty((3, a.size))
    gradient[0] = 0.5 * (distance * distance - square) / q
    gradient[1] = -(1.0 + curvature * offset) * u / q
    gradient[2] = (curvature * v - 1.0) / q
    return np.asarray(distance), gradient.T


def _search(a: Floats, b: Floats, arc: Arc) -> tuple[Arc, Floats, Floats, bool]:
    """Gauss-Newton steps, damped where one does not gain: the arc, its distances and gradient, whether it settled."""
    damping = 0.0
    distance, gradient = _distance_and_gradient(a, b, arc)
    best = _squares(distance)
    for _ in range(STEPS):
        normal, slope = gradient.T @ gradient, gradient.T @ distance
        damped = normal + damping * np.diag(np.diag(normal))
        try:
            step = np.linalg.solve(damped, slope)
        except np.linalg.LinAlgError:
            return arc, distance, gradient, False
        tried = (arc[0] - float(step[0]), arc[1] - float(step[1]), arc[2] - float(step[2]))
        found = _distance_and_gradient(a, b, tried)
        now = _squares(found[0])
        if not now <= best * (1.0 + SMALL):
            damping = max(10.0 * damping, 1e-3)
            if damping > 1e9:
                return arc, distance, gradient, False
            continue
        settled = best - now <= SMALL * best and float(np.max(np.abs(step))) < 1e-8
        arc, best, damping = tried, now, 0.1 * damping
        distance, gradient = found
        if settled or best <= 1e-28 * a.size:
            return arc, distance, gradient, True
    return arc, distance, gradient, False


def _parabola(a: Floats, b: Floats) -> Arc:
    """Parabola across the long axis of the points."""
    direction = 0.5 * atan2(2.0 * float(a @ b), float(a @ a - b @ b))
    u, v = cos(direction) * a + sin(direction) * b, cos(direction) * b - sin(direction) * a
    square = u * u
    second, third, fourth = float(square.sum()), float(square @ u), float(square @ square)
    normal = np.array([[a.size, 0.0, second], [0.0, second, third], [second, third, fourth]])
    try:
        offset, slope, half = np.linalg.solve(normal, [0.0, float(u @ v), float(square @ v)]).tolist()
    except np.linalg.LinAlgError:
        return nan, nan, nan
    return 2.0 * half / (1.0 + slope * slope) ** 1.5, direction + atan2(slope, 1.0), offset / hypot(1.0, slope)


def _taubin(a: Floats, b: Floats) -> Arc:
    """Taubin's algebraic circle ``A (x² + y²) + B x + C y + D = 0``, which may be a line."""
    square = a * a + b * b
    mean = float(square.mean())
    z = (square - mean) / (2.0 * sqrt(mean))
    moments = np.stack([z, a, b])
    _, vectors = np.linalg.eigh(moments @ moments.T)
    first, second, third = vectors[:, 0].tolist()
    first = first / (2.0 * sqrt(mean))
    fourth = -mean * first
    size = sqrt(max(second * second + third * third - 4.0 * first * fourth, 0.0))
    if not size > 0:
        return nan, nan, nan
    # the normal at the point nearest to the origin: (B, C) turned so that v runs across the tangent
    flat = hypot(second, third)
    if not flat > 1e-9 * size:
        return nan, nan, nan
    curvature = -2.0 * first / size
    direction = atan2(-second, third)
    offset = -2.0 * fourth / (size + flat)
    return curvature, direction, offset
