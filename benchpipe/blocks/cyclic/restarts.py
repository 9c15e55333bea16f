"""Shifts of a signal's zero where a rig was restarted: a new tare, or a sensor that slipped."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

CYCLES = 20  # complete cycles looked at on either side
LEAST = 5
LEAST_PART = 0.02  # of the range: a shift that is worth a remark
SIGMAS = 5.0
MAD_TO_SD = 1.4826


@dataclass(frozen=True)
class ShiftResult:
    """A shift of the zero at the beginning of a segment: peak and valley moved alike, the range stayed.

    ``shift`` is in the unit of the signal, ``of_range`` in parts of the range before; NaN where it stood still there.
    """

    segment: int
    start_us: int
    shift: float
    of_range: float


def zero_shifts(
    start_us: ArrayLike,
    segment: ArrayLike,
    complete: ArrayLike,
    high: ArrayLike,
    low: ArrayLike,
    *,
    least_part: float = LEAST_PART,
) -> tuple[ShiftResult, ...]:
    """Find shifts of the zero between neighbouring segments.

    Medians over the last and first :data:`CYCLES` complete cycles are compared: the middle must
    have moved by more than :data:`SIGMAS` of its scatter and ``least_part`` of the range, and
    the range by less than a quarter of that.

    Parameters
    ----------
    start_us, segment : array_like of int, shape (n,)
    complete : array_like of bool, shape (n,)
    high, low : array_like of float, shape (n,)
        Largest and smallest value of the signal in each cycle.
    least_part : float
        Smaller shifts are none; by default those that are not worth a remark.
    """
    good = np.asarray(complete, bool)
    start, where = np.asarray(start_us, np.int64)[good], np.asarray(segment)[good]
    top, bottom = np.asarray(high, np.float64)[good], np.asarray(low, np.float64)[good]
    edges = np.concatenate(([0], np.flatnonzero(np.diff(where)) + 1, [where.size]))
    stretches = [(int(a), int(b)) for a, b in pairwise(edges) if b - a >= LEAST]
    found = []
    for (a, b), (c, d) in pairwise(stretches):
        before, after = slice(max(a, b - CYCLES), b), slice(c, min(d, c + CYCLES))
        middle = [_middle(0.5 * (top[s] + bottom[s])) for s in (before, after)]
        span = [float(np.median(top[s] - bottom[s])) for s in (before, after)]
        shift = middle[1][0] - middle[0][0]
        least = max(SIGMAS * float(np.hypot(middle[0][1], middle[1][1])), least_part * span[0])
        if abs(shift) > least and abs(span[1] - span[0]) < 0.25 * abs(shift):
            found.append(ShiftResult(int(where[c]), int(start[c]), shift, shift / span[0] if span[0] else np.nan))
    return tuple(found)


def _middle(values: NDArray[np.float64]) -> tuple[float, float]:
    """Median and its standard error."""
    median = float(np.median(values))
    return median, MAD_TO_SD * float(np.median(np.abs(values - median))) / float(np.sqrt(values.size))
