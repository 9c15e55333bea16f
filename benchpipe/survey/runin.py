"""Find the end of the run-in of a cycle test from the stiffness of its cycles."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.robust import mad_sigma

PARTS = 20
LEAST_WINDOW = 20  # cycles
FEWEST = 4 * LEAST_WINDOW  # cycles: the first window, and three that are level
LEVEL = 0.003  # part of the stiffness by which neighbouring windows of a level stretch may differ
FIRST = 10.0  # a counter that begins above is that of a specimen that has run before


def find_baseline(stiffness: NDArray[np.float64], first_count: float) -> tuple[tuple[int, int] | None, str]:
    """Cycles after the run-in, from which changes may be counted.

    Parameters
    ----------
    stiffness : float64 array, shape (n,)
        Load range over motion range, cycle by cycle.
    first_count : float
        The rig's counter at the first sample; NaN where there is none.

    Returns
    -------
    baseline : tuple of int or None
        First and last cycle.
    why : str
        What it rests on, or why there is none.
    """
    if first_count > FIRST:
        return None, f"the counter begins at {first_count:,.0f}: the first cycles of the specimen are not in these logs"
    if stiffness.size < FEWEST:
        return None, f"{stiffness.size} cycles do not show where the run-in ends"
    size = max(stiffness.size // PARTS, LEAST_WINDOW)
    count = stiffness.size // size
    middle = np.median(stiffness[: count * size].reshape(count, size), axis=1)
    noise = mad_sigma(np.diff(stiffness)) / np.sqrt(2.0)
    allowed = max(LEVEL * abs(float(np.median(middle))), 4.0 * 1.25 * noise / np.sqrt(size))
    level = [abs(b - a) <= allowed for a, b in pairwise(middle.tolist())]
    for place in range(1, count - 2):
        if level[place] and level[place + 1]:
            first, last = _round(place * size), _round((place + 2) * size)
            moved = middle[place] / middle[0] - 1.0
            return (first, last), f"stiffness moved by {moved:+.1%} up to cycle {first:,} and is level from there"
    return None, "stiffness is still moving at the end of these logs"


def _round(cycle: int) -> int:
    """To two digits."""
    digits = max(len(str(cycle)) - 2, 0)
    return int(round(cycle, -digits))
