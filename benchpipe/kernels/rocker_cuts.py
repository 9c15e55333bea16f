"""Where the passes of a roll are: stretches under load, cut where the tilt turns."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MEANS = 400
"""Means of neighbours that turns are looked for in, at most."""
TURN = 0.25
"""Part of the tilt's range that it must come back for a turn."""
LEAST_TURN = 1.0
"""At least so many degrees."""


@dataclass(frozen=True)
class Traverse:
    """Samples ``first … last`` in which the tilt goes one way; ``begins``, ``ends``: at a turn of the tilt."""

    first: int
    last: int
    forward: bool
    begins: bool
    ends: bool


def traverses(tilt: Floats) -> list[Traverse]:
    """Cut a stretch under load where the tilt turns.

    Parameters
    ----------
    tilt : float64 array, shape (n,), deg
        In the order of time.

    Returns
    -------
    list of Traverse
        In the order of time; empty with fewer than three samples, and without stretches in which the shank rests.
    """
    n = int(tilt.size)
    if n < 3:
        return []
    each = -(-n // MEANS)
    smooth = np.add.reduceat(tilt, np.arange(0, n, each)) / np.diff(np.append(np.arange(0, n, each), n))
    back = max(TURN * float(np.ptp(smooth)), LEAST_TURN)
    turns = [min(at * each + each // 2, n - 1) for at in _turns(smooth.tolist(), back)]
    turns = [_refined(tilt, at, each) for at in turns]
    edges = [0, *turns, n - 1]
    found = []
    for k, (first, last) in enumerate(pairwise(edges)):
        if abs(tilt[last] - tilt[first]) >= 0.9 * back:  # else the shank rests there
            forward = bool(tilt[max(last - each, first)] > tilt[min(first + each, last)])
            found.append(Traverse(first, last, forward, k > 0, k < len(edges) - 2))
    return found


def _turns(values: list[float], back: float) -> list[int]:
    """Places of the extremes between which the values move by at least ``back``."""
    low = high = 0
    found: list[int] = []
    way = 0
    for k, value in enumerate(values):
        if value > values[high]:
            high = k
        if value < values[low]:
            low = k
        if way >= 0 and values[high] - value >= back:
            if way > 0 or high > 0:
                found.append(high)
            way, low = -1, k
            high = k
        elif way <= 0 and value - values[low] >= back:
            if way < 0 or low > 0:
                found.append(low)
            way, high = 1, k
            low = k
    return found


def _refined(tilt: Floats, at: int, each: int) -> int:
    """The extreme sample near the extreme mean."""
    first, last = max(at - 2 * each, 0), min(at + 2 * each + 1, tilt.size)
    near = tilt[first:last]
    up = near[near.size // 2] > 0.5 * (near[0] + near[-1])
    return first + int(np.argmax(near) if up else np.argmin(near))
