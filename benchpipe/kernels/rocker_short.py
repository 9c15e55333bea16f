"""Short arcs: what noise does to the curvature of one pass, and when an arc is too short for its noise.

Noise along an arc blurs where its points are: a fit then counts on more spread of them than there is, and its standard
error is too small. The tilt says where they are: a smooth curve over it takes the blur out of the design.

A refusal that looks at the noise picks passes whose noise happens to look small, and those have too narrow intervals.
The scatter of neighbours is the part of the noise that is well known, and the same value of it means a wider interval
the more correlated the noise is: a refusal by it picks neither narrow intervals nor wide ones.

References
----------
The rest is elementary; simulated coverage: ``tests/benchmarks/rocker_coverage.py``.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from benchpipe.kernels.rocker_arc import ArcResult

Floats = NDArray[np.float64]

SHORTEST = 0.02
"""Arc [m] below which no curvature is given."""
NEIGHBOURS = 0.025
"""Scatter from one of a hundred parts of a pass to the next, as a part of its length, above which none is given."""
PARTS = 100
SPREAD = 0.08
"""Distance from the arc (rms), as a part of its length, above which none is given."""
DEGREE, MOST = 5, 2000
"""Of the smooth curve over the tilt; points it is fitted to, at most."""


def too_short(arc: ArcResult, tilt: Floats) -> str:
    """Why an arc is too short for a curvature; empty where it is not.

    Parameters
    ----------
    arc : ArcResult
        In m.
    tilt : float64 array, shape (n,)
        Of its points, in order.
    """
    if arc.length < SHORTEST:
        return (
            f"the arc is {1e3 * arc.length:.3g} mm long, {1e3 * SHORTEST:.0f} mm are needed: a short pass, or the "
            "wrong unit of a channel"
        )
    length, near = _length(arc, tilt), _neighbours(arc.distance)
    if near > NEIGHBOURS * length or arc.rms > SPREAD * length:
        return (
            f"an arc of {1e3 * length:.3g} mm is too short for its noise: {1e3 * arc.rms:.2g} mm (rms), "
            f"{1e3 * near:.2g} mm from neighbour to neighbour"
        )
    return ""


def blurred(arc: ArcResult, tilt: Floats) -> float:
    """Factor by which the blur of the points makes the standard error of a curvature too small, 1 or more.

    Parameters
    ----------
    arc : ArcResult
    tilt : float64 array, shape (n,)
        Of its points, in order.
    """
    some = slice(None, None, -(-tilt.size // MOST))
    over, design = chebyshev.chebvander(_scaled(tilt[some]), DEGREE), arc.gradient[some]
    known = over.T @ design
    smooth = known.T @ np.linalg.lstsq(over.T @ over, known, rcond=None)[0]
    seen, true = (np.linalg.inv(normal)[0, 0] for normal in (design.T @ design, smooth))
    return max(float(true / seen), 1.0)


def _scaled(tilt: Floats) -> Floats:
    low, high = float(tilt.min()), float(tilt.max())
    return np.asarray(2.0 * (tilt - low) / (high - low) - 1.0)


def _length(arc: ArcResult, tilt: Floats) -> float:
    """Length by the line of the places over the tilt: the ends themselves are as noisy as any point."""
    at = _scaled(tilt)
    at -= at.mean()
    return 2.0 * arc.scale * abs(float(at @ arc.gradient[:, 1]) / float(at @ at))


def _neighbours(distance: Floats) -> float:
    """Standard deviation of the noise as neighbouring means show it, of at most a hundred."""
    each = -(-distance.size // PARTS)
    count = distance.size // each
    means = distance[: count * each].reshape(count, each).mean(axis=1)
    return sqrt(0.5 * float(np.mean(np.diff(means) ** 2)))
