"""Step of the last digit of a channel, from its values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAST_CHANGES = 30  # fewer changes of the value show no step
LEAST_ULPS = 8.0  # a step of fewer steps of single precision is not separable from rounding
WIDTH = 1.4  # gaps that are no more than so many times the smallest are one step
CANDIDATES = 8
LEAST_PART = 0.01  # of the gaps between the values that occur: the others are outliers
MULTIPLES = 0.99  # of the changes of the value that are whole steps
NEAR = 0.1  # of a step: so near a whole number of steps, besides rounding
REACHES = (3.0, 10.0, 30.0, 100.0, 1000.0, 1e4)  # steps in a change: what shows the step finer and finer
Floats = NDArray[np.float64]


def rounding(values: NDArray[Any]) -> float:
    """Step of single precision at the largest of some values, shape (n,): they are known no better.

    Parameters
    ----------
    values : array, shape (n,)
        In any unit.

    Returns
    -------
    float
        In the unit of the values; next to nothing without values or where all are zero.
    """
    return float(np.spacing(np.abs(np.asarray(values)).max(initial=0.0).astype(np.float32)))


def smallest_step(values: NDArray[Any]) -> float | None:
    """Smallest step of which nearly all changes of a value are multiples.

    Parameters
    ----------
    values : float array, shape (n,)
        Consecutive finite values in single precision, in any unit.

    Returns
    -------
    float or None
        In the same unit. 0 where the values are continuous: their changes are no multiples of a step. None where the
        value changes too rarely to tell.
    """
    known = np.asarray(values, np.float64)
    ulp = rounding(known)
    changes = np.abs(np.diff(known))
    changes = changes[changes > 1.5 * ulp]
    if changes.size < LEAST_CHANGES:
        return None
    gaps = np.diff(np.unique(known))
    gaps = np.sort(gaps[gaps > 1.5 * ulp])
    least = max(1.0, LEAST_PART * gaps.size)
    for _ in range(CANDIDATES):
        if not gaps.size:
            break
        alike = int(np.searchsorted(gaps, WIDTH * gaps[0], "right"))
        step = float(np.median(gaps[:alike]))
        if alike >= least and step >= LEAST_ULPS * ulp:
            step = _finer(changes, step)
            off = np.abs(changes - step * np.rint(changes / step))
            if (off <= NEAR * step + 2.0 * ulp).mean() >= MULTIPLES:
                return step
        gaps = gaps[alike:]
    return 0.0


def _finer(changes: Floats, step: float) -> float:
    """The step by least squares over changes of more and more steps."""
    for reach in REACHES:
        some = changes[changes < reach * step]
        count = np.rint(some / step)
        total = float(count @ count)
        step = float(some @ count) / total if total > 0.0 else step
    return step


def range_of_parts(values: NDArray[Any], size: int) -> float:
    """Median range of consecutive parts of so many values; the whole range where there is no whole part.

    Parameters
    ----------
    values : array, shape (n,)
        In any unit, in order.
    size : int
        Values in a part, at least one.

    Returns
    -------
    float
        In the unit of the values; 0 without values.
    """
    parts = len(values) // size
    if parts < 1:
        return float(np.ptp(values)) if len(values) else 0.0
    return float(np.median(np.ptp(values[: parts * size].reshape(parts, size), axis=1)))
