"""One pass of a roll: centre of pressure in axes that lean with the shank → arc, rolling slope, stiffness.

Axes: e_y from the ankle up the shank, e_x forward across it; the tilt is zero upright and above zero leaning forward.

References
----------
Rolling slope: a rigid rocker of radius R that rolls without slip moves its contact by R dγ. The rest is elementary.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.robust import mad_sigma
from benchpipe.kernels.rocker_arc import curvature_change, fit_arc
from benchpipe.kernels.rocker_noise import correlated_u
from benchpipe.kernels.rocker_short import blurred, too_short
from benchpipe.kernels.slope_attenuation import attenuation

Floats = NDArray[np.float64]

FEWEST = 20
"""Samples of a window below which a pass is not measured."""
LONGEST = 1.0
"""Travel [m] that a foot cannot roll over."""
LOWEST, HIGHEST = 0.005, 1.0
"""Height [m] of the ankle above the centre of pressure: less or more is another unit, or an axis that points down."""
JUMP = 0.25
"""Part of the arc that one step between samples may take."""
POINTS = 40
STEP = 1e-3


@dataclass(frozen=True)
class PassFigure:
    """A figure of one pass with its standard uncertainty and degrees of freedom; NaN where not known."""

    value: float = nan
    u: float = nan
    dof: float = nan


@dataclass(frozen=True, eq=False)
class PassResult:
    """What one pass shows; lengths in m, the slope in m/rad, the stiffness in N*m/deg.

    ``follows``: change of the curvature for a relative change of the centre of pressure, ankle, and tilt.

    ``why`` says why there is no figure, ``caution`` what to know about them. ``x``, ``y``, ``tilt``: means of up to
    forty neighbours, in order.
    """

    curvature: PassFigure = PassFigure()
    slope: PassFigure = PassFigure()
    stiffness: PassFigure = PassFigure()
    thirds: tuple[float, float, float] = (nan, nan, nan)
    length: float = nan
    front: float = nan
    rms: float = nan
    rho: float = nan
    tangent: float = nan
    follows: tuple[float, float, float] = (nan, nan, nan)
    x: Floats = field(default_factory=lambda: np.empty(0))
    y: Floats = field(default_factory=lambda: np.empty(0))
    tilt: Floats = field(default_factory=lambda: np.empty(0))
    why: str = ""
    caution: str = ""


def in_shank_axes(cop: Floats, ankle: Floats, tilt: Floats) -> tuple[Floats, Floats]:
    """Centre of pressure in the axes of the shank.

    Parameters
    ----------
    cop, ankle : float64 arrays, shape (2, n), m
        Forward and up.
    tilt : float64 array, shape (n,), rad

    Returns
    -------
    x, y : float64 arrays, shape (n,), m
        Across the shank, forward, and along it, up, from the ankle.
    """
    forward, up = cop[0] - ankle[0], cop[1] - ankle[1]
    sine, cosine = np.sin(tilt), np.cos(tilt)
    return np.asarray(forward * cosine - up * sine), np.asarray(forward * sine + up * cosine)


def measure_pass(cop: Floats, ankle: Floats, tilt: Floats, travel: Floats, force: Floats) -> PassResult:
    """Measure one pass.

    Parameters
    ----------
    cop, ankle : float64 arrays, shape (2, n), m
        In the lab, forward and up, in the order of time.
    tilt : float64 array, shape (n,), rad
        Above zero where the shank leans forward.
    travel : float64 array, shape (n,), m
        Centre of pressure along the plate: for the rolling slope.
    force : float64 array, shape (n,), N
        Vertical.

    Returns
    -------
    PassResult
        Without figures, and with ``why``, where the pass cannot be measured.
    """
    n = int(tilt.size)
    if n < FEWEST:
        return PassResult(why=f"{n} samples in the window, {FEWEST} are needed")
    if not np.ptp(tilt) > 0:
        return PassResult(why="the tilt does not change")
    x, y = in_shank_axes(cop, ankle, tilt)
    span = float(np.ptp(travel))
    if span > LONGEST:
        return PassResult(why=f"the centre of pressure moves {span:.3g} m in a pass: verify the units of its channels")
    height = -float(y.mean())
    if not LOWEST < height < HIGHEST:
        return PassResult(
            why=f"the ankle is {1e3 * height:.3g} mm above the centre of pressure: verify the units and the upward "
            "direction of its channels"
        )
    largest = float(np.max(np.abs(np.diff(travel))))
    if largest > JUMP * span and largest > 0.01:
        return PassResult(
            why=f"the centre of pressure jumps by {1e3 * largest:.3g} mm: two feet on the plate, or hardly any load"
        )
    slope = _line(tilt, travel)
    if slope.value < 0:
        return PassResult(
            why="the centre of pressure moves back while the shank leans forward: tilt or forward direction reversed"
        )
    arc = fit_arc(x, y)
    if not arc.converged:
        return PassResult(why="no arc fits these points")
    why = too_short(arc, tilt)
    if why:
        return PassResult(why=why)
    own = correlated_u(arc.gradient, arc.distance / arc.scale, 0)
    curvature = PassFigure(arc.curvature, own.u / arc.scale * blurred(arc, tilt), own.dof)
    stiff = _line(np.degrees(tilt), force * (cop[0] - ankle[0]))
    edges = np.linspace(0, n, min(n, POINTS) + 1).astype(np.intp)
    means = [np.add.reduceat(v, edges[:-1], axis=-1) / np.diff(edges) for v in (cop, ankle, tilt)]
    px, py = in_shank_axes(means[0], means[1], means[2])
    pt = means[2]
    return PassResult(
        curvature, slope, stiff, _thirds(tilt, travel), arc.length, float(np.max(px)), arc.rms, own.rho, arc.tangent,
        _follows(means[0], means[1], means[2]), px, py, pt, "", _caution(tilt),
    )  # fmt: skip


def _follows(cop: Floats, ankle: Floats, tilt: Floats) -> tuple[float, float, float]:
    """How the curvature changes with the scale of each channel."""
    x, y = in_shank_axes(cop, ankle, tilt)
    arc = fit_arc(x, y)
    found = []
    for k in range(3):
        scales = [1.0 + STEP * (k == j) for j in range(3)]
        moved = in_shank_axes(cop * scales[0], ankle * scales[1], tilt * scales[2])
        found.append(curvature_change(arc, x, y, moved[0] - x, moved[1] - y) / STEP)
    return found[0], found[1], found[2]


def _line(x: Floats, y: Floats) -> PassFigure:
    """Slope of a least-squares line, its uncertainty for correlated noise."""
    middle, spread = float(x.mean()), float(x.std())
    if not spread > 0:
        return PassFigure()
    along = (x - middle) / spread
    level, slope = float(y.mean()), float(along @ y) / x.size
    own = correlated_u(np.stack([np.ones_like(along), along]).T, y - level - slope * along, 1)
    return PassFigure(slope / spread, own.u / spread, own.dof)


def _thirds(tilt: Floats, travel: Floats) -> tuple[float, float, float]:
    """Rolling slope in the thirds of the tilt: heel, mid, forefoot."""
    low, high = float(tilt.min()), float(tilt.max())
    found = []
    for k in range(3):
        begin, end = low + (high - low) * k / 3, low + (high - low) * (k + 1) / 3
        inside = (tilt >= begin) & (tilt <= end)
        a, b = tilt[inside], travel[inside]
        spread = float(np.sum((a - a.mean()) ** 2)) if a.size >= 3 else 0.0
        found.append(float((a - a.mean()) @ b) / spread if spread > 0 else nan)
    return found[0], found[1], found[2]


def _caution(tilt: Floats) -> str:
    """Noise of the tilt makes the rolling slope too small."""
    bent = np.diff(tilt, 2)
    noise = mad_sigma(bent) / sqrt(6.0) if bent.size else 0.0
    low = float(attenuation(noise, float(np.ptp(tilt)), tilt.size))
    return f"noise of the tilt makes the rolling slope up to {100 * low:.1f} % too small" if low > 0.01 else ""
