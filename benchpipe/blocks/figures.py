"""Figures of a block as they are shown: with units, uncertainties and trends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    import pyarrow as pa

TREND_POINTS = 16
COVERAGE_FACTOR = 2.0  # of the figures that are shown beside the verdicts


@dataclass(frozen=True)
class Figure:
    """One measured figure: what, value, unit, and its trend as bin medians.

    ``u`` is its standard uncertainty where it is known, ``expanded_u`` the half-width of its 95 % interval where a
    limit was judged on it: one quantity has one uncertainty on every screen. Figures of one ``group`` share a unit
    and a line.
    ``after`` is the number of cycles done before it, where the group follows a figure over the run's life.
    """

    name: str
    value: float | None
    unit: str
    change: float | None = None
    trend: tuple[float, ...] = ()
    u: float | None = None
    group: str = ""
    after: int | None = None
    expanded_u: float | None = None

    @property
    def half_width(self) -> float | None:
        """What is shown after ``±``: that of the limit's judgement, else twice ``u``; None where it is not known."""
        if self.expanded_u:
            return self.expanded_u
        return COVERAGE_FACTOR * self.u if self.u else None


@dataclass(frozen=True)
class BlockView:
    """What one block measured.

    ``done`` cycles are those of the count that decides (``planned_by``); ``ended``: the plan asks for no more.
    ``things`` is what they are called.
    """

    name: str
    kind: str
    done: int
    planned: int | None
    figures: tuple[Figure, ...]
    said: str = ""
    ended: bool = False
    things: str = ""


def of_block(table: pa.Table, block: str) -> pa.Table:
    """Rows of one block."""
    import pyarrow.compute as pc

    return table.filter(pc.equal(table.column("block"), block))


def thinned(values: np.ndarray[Any, Any]) -> list[float]:
    """At most :data:`TREND_POINTS` medians of neighbours, for a small trend."""
    import numpy as np

    pieces = np.array_split(values, min(len(values), TREND_POINTS))
    return [float(np.median(piece)) for piece in pieces]


def duration(seconds: float) -> str:
    """A time in the largest unit that it is a whole number of."""
    for size, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:g} s"
