"""Smallest and largest value of a trend in each column of a picture: no spike is lost, however many cycles it has."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
COLUMNS = 420


@dataclass(frozen=True, eq=False)
class Envelope:
    """Columns of a trend: first and last cycle of each, smallest and largest value; shape (k,)."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    low: Floats
    high: Floats

    @property
    def a_column(self) -> int:
        """Cycles in a column, at most."""
        return int((self.last - self.first).max(initial=0)) + 1


def envelope(values: Floats, columns: int = COLUMNS) -> Envelope:
    """Envelope of the cycles 1 to n; NaN for a column without a value."""
    edges = np.unique(np.linspace(0, values.size, min(columns, values.size) + 1).astype(np.int64))
    if edges.size < 2:
        none = np.empty(0)
        return Envelope(edges[:0], edges[:0], none, none)
    low, high = (of.reduceat(values, edges[:-1]) for of in (np.fmin, np.fmax))
    return Envelope(edges[:-1] + 1, edges[1:], low, high)
