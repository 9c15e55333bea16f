"""Means over time of samples that need not be evenly spaced (rows that were rejected, clocks that jitter)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def time_mean(time_s: Floats, values: Floats) -> float:
    """Mean over time of the path through the samples: its integral by the trapezium rule over its length.

    Parameters
    ----------
    time_s, values : float64 arrays, shape (n,)
        In order of time; values that are not finite are left out, and the path goes straight across.

    Returns
    -------
    float
        The plain mean where no time passes; NaN where no value is finite.
    """
    known = np.isfinite(values)
    t, v = time_s[known], values[known]
    if not v.size:
        return float("nan")
    span = float(t[-1] - t[0])
    if not span > 0.0:
        return float(v.mean())
    return float(0.5 * np.sum(np.diff(t) * (v[1:] + v[:-1])) / span)


def means_over(time_s: Floats, values: Floats, length_s: float) -> Floats:
    """Means over time of whole stretches of ``length_s`` [s], the last with the rest; of all where it is shorter.

    Borders are interpolated.

    Parameters
    ----------
    time_s : float64 array, shape (n,)
        Rising times [s].
    values : float64 array, shape (n,)
        In any unit, finite.
    length_s : float
        [s], > 0.

    Returns
    -------
    float64 array, shape (m,)
        In the unit of the values; one plain mean where the samples have no length in time.
    """
    count = max(int((time_s[-1] - time_s[0]) / length_s), 1)
    edges = np.append(time_s[0] + length_s * np.arange(count), time_s[-1])
    area = np.append(0.0, np.cumsum(0.5 * np.diff(time_s) * (values[1:] + values[:-1])))
    at = np.searchsorted(time_s, edges[1:-1], "right") - 1
    part = (edges[1:-1] - time_s[at]) / (time_s[at + 1] - time_s[at])
    border = values[at] + part * (values[at + 1] - values[at])
    inner = area[at] + 0.5 * (edges[1:-1] - time_s[at]) * (values[at] + border)
    sums = np.diff(np.concatenate([[0.0], inner, [area[-1]]]))
    widths = np.diff(edges)
    return sums / widths if widths.all() else np.array([float(values.mean())])
