"""The shortest decimal number near a value: the number that a person would have entered."""

from __future__ import annotations

import math

DIGITS = 9


def shortest(value: float, allowed: float) -> float:
    """Return the number with the fewest digits that is no farther than ``allowed`` from ``value``.

    Parameters
    ----------
    value : float
        In any unit.
    allowed : float
        In the unit of the value, >= 0.

    Returns
    -------
    float
        ``value`` to nine digits where none is shorter.
    """
    if not math.isfinite(value) or abs(value) <= allowed:
        return 0.0 if math.isfinite(value) else value
    for digits in range(1, DIGITS):
        short = float(f"{value:.{digits}g}")
        if abs(short - value) <= allowed:
            return short
    return float(f"{value:.{DIGITS}g}")
