"""Count how often a temperature went there and back, and over which range it did so.

Only a temperature that comes back separates its coefficient from wear: wear does not come back.
Two plateaus are half a swing, whatever their distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SwingsResult:
    """Swings of a series.

    ``swings`` is the number of times there and back, in halves and parts of them; ``low`` and ``high``
    bound what was reached at least twice (the second lowest valley, the second highest peak; NaN where
    there are none); ``turning`` holds the turning points, both ends of the series included.
    """

    swings: float
    low: float
    high: float
    turning: Floats


def turning_points(series: ArrayLike, hysteresis: float) -> Floats:
    """First value, the peaks and valleys that differ by at least ``hysteresis``, and the last extreme.

    Parameters
    ----------
    series : array_like, shape (n,)
        Finite values in the order of time.
    hysteresis : float
        A move against the present direction counts from this size on. Unit of the series, > 0.

    Returns
    -------
    ndarray, shape (m,)
        Peaks and valleys in turn. Where nothing moves by ``hysteresis`` only the first value.

    References
    ----------
    The hysteresis filter that precedes rainflow counting (ASTM E1049). Written from memory; not checked against it.
    """
    x = np.asarray(series, np.float64)
    return np.asarray(x[turning_places(x, hysteresis)])


def turning_places(series: ArrayLike, hysteresis: float) -> NDArray[np.int64]:
    """Where the :func:`turning_points` stand, shape (m,).

    Parameters
    ----------
    series : array_like, shape (n,)
        Finite values in the order of time.
    hysteresis : float
        As for :func:`turning_points`, in the unit of the series, > 0.

    Returns
    -------
    int64 array, shape (m,)
        Indices, rising; [0] where nothing moves by ``hysteresis``, empty without values.
    """
    x = np.asarray(series, np.float64).tolist()
    if not x:
        return np.zeros(0, np.int64)
    low = high = 0
    turning: list[int] = []
    up = 0  # direction of the present move, 0 before the first
    for i, value in enumerate(x):
        if up >= 0 and value > x[high]:
            high = i
        if up <= 0 and value < x[low]:
            low = i
        if up >= 0 and x[high] - value >= hysteresis:
            # The first move begins at the extreme that it left, not at the first reading.
            turning.append(high)
            up, low = -1, i
        elif up <= 0 and value - x[low] >= hysteresis:
            turning.append(low)
            up, high = 1, i
    if up:
        turning.append(high if up > 0 else low)
    return np.array(turning or [0], np.int64)


def count_swings(series: ArrayLike, swing: float, floor: float = 0.0) -> SwingsResult:
    """How often a series went there and back by ``swing``.

    Parameters
    ----------
    series : array_like, shape (n,)
        Finite values in the order of time, for example temperatures of bins [°C].
    swing : float
        What counts as one way there. A longer move counts as one, a shorter one as its part,
        and one below half of it (or below ``floor``) not at all. Unit of the series, > 0.
    floor : float
        Least move above the noise of the series.

    Returns
    -------
    SwingsResult
        ``swings`` = Σ min(move, swing) / (2 swing) over the moves between turning points.

    Raises
    ------
    ValueError
        ``swing`` is not above zero.
    """
    if not swing > 0:
        raise ValueError("swing must be above zero")
    turning = turning_points(series, max(swing / 2, floor))
    moves = np.abs(np.diff(turning))
    swings = float(np.minimum(moves, swing).sum() / (2 * swing))
    if turning.size < 4:
        return SwingsResult(swings, float("nan"), float("nan"), turning)
    rising = turning[1] > turning[0]
    valleys, peaks = (turning[0::2], turning[1::2]) if rising else (turning[1::2], turning[0::2])
    return SwingsResult(swings, float(np.sort(valleys)[1]), float(np.sort(peaks)[-2]), turning)
