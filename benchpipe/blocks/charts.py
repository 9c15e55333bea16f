"""Charts of a block as data: axes, series, a sentence that answers, and the same figures as rows. Nothing is drawn."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.figures import Figure

if TYPE_CHECKING:
    from benchpipe.config.rig import RigConfig
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore

Floats = NDArray[np.float64]
Section = Literal["loops", "trends", "load", "free", "proofs", "rig", "left-out"]


@dataclass(frozen=True)
class Axis:
    """What an axis, or a column of rows, shows: ``1`` is the unit of a ratio or count.

    ``names`` are those of the places 1, 2 … of an axis without numbers.
    """

    label: str
    unit: str = ""
    log: bool = False
    names: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Series:
    """One series of points.

    Attributes
    ----------
    x, y : float64 arrays, shape (n,)
        NaN breaks a line.
    low, high : float64 arrays, shape (n,), optional
        Ends of an interval about ``y``.
    mark : str
        ``line``, ``dots``, ``bars`` from zero, or ``loop``: one of an ordered set of lines.
    place : float, optional
        Of a loop: 0 the first of its set, 1 the last. It decides the colour.
    note : str
        Why it is there: shown where it is singled out.
    """

    name: str
    x: Floats
    y: Floats
    low: Floats | None = None
    high: Floats | None = None
    mark: Literal["line", "dots", "bars", "loop"] = "line"
    place: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Ruler:
    """A straight line across a chart: a limit, a reference, a stop or an event, at a value of ``along``."""

    value: float
    label: str
    kind: Literal["limit", "reference", "stop", "event"] = "reference"
    along: Literal["x", "y"] = "y"


@dataclass(frozen=True, eq=False)
class Panel:
    """One pair of axes."""

    title: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    rulers: tuple[Ruler, ...] = ()


@dataclass(frozen=True)
class FigureTable:
    """Figures as a table; the text of a column without a unit stays as it is."""

    head: tuple[Axis, ...]
    rows: tuple[tuple[Any, ...], ...]


@dataclass(frozen=True, eq=False)
class Chart:
    """One figure.

    Attributes
    ----------
    name : str
        Short, of this block: ``creep-1``.
    answer : tuple of str and Figure
        A sentence; a figure in it is shown with its unit and uncertainty.
    points : int
        How many measured values it shows, of the kind ``things``.
    reduced : str
        What was left out or averaged, and by how much; empty where each value is drawn.
    command : str
        The command that gives the rows behind it.
    """

    name: str
    section: Section
    block: str
    title: str
    answer: tuple[str | Figure, ...]
    panels: tuple[Panel, ...]
    rows: FigureTable
    points: int
    things: str
    command: str
    reduced: str = ""


@dataclass(frozen=True, eq=False)
class Trend:
    """A measure of every cycle of a block.

    Attributes
    ----------
    values : float64 array, shape (n,)
        Of the cycles 1 to n; NaN where it was not measured.
    first, last, median : float64 arrays, shape (b,)
        Bins as the table of trends has them: first and last cycle, median.
    stops : int64 array
        Cycles after which the rig stopped or samples are missing.
    baseline : (int, int) or None
        Its first and last cycle; ``base`` is its median, ``change`` that of the last bin from it.
    worst : int
        Cycle that departs most from its neighbours, run-in left out; 0 where there is none.
    """

    block: str
    measure: str
    label: str
    unit: str
    values: Floats
    first: Floats
    last: Floats
    median: Floats
    stops: NDArray[np.int64]
    baseline: tuple[int, int] | None = None
    base: float | None = None
    change: float | None = None
    worst: int = 0

    @property
    def measured(self) -> int:
        """How many cycles have a value."""
        return int(np.isfinite(self.values).sum())

    @property
    def extent(self) -> tuple[float, float]:
        """Smallest and largest value; NaN where no cycle has one."""
        known = self.values[np.isfinite(self.values)]
        return (float(known.min()), float(known.max())) if known.size else (np.nan, np.nan)


@dataclass(frozen=True)
class BlockCharts:
    """All charts of a block."""

    charts: tuple[Chart, ...] = ()
    trends: tuple[Trend, ...] = ()


@dataclass(frozen=True)
class ChartTask:
    """What charts are made of. ``every``: all measures are wanted, not the main ones alone."""

    block: Any
    units: dict[str, str]
    rig: RigConfig
    manifest: Manifest
    store: RunStore
    every: bool = False


def rows_of(head: Iterable[tuple[str, str, str]], records: Iterable[dict[str, Any]]) -> FigureTable:
    """Rows of some records; ``head`` has key, label and unit of each column."""
    columns = tuple(head)
    axes = tuple(Axis(label, unit) for _, label, unit in columns)
    return FigureTable(axes, tuple(tuple(record.get(key) for key, _, _ in columns) for record in records))


def band(y: Floats, u: Floats | None, factor: float = 2.0) -> tuple[Floats | None, Floats | None]:
    """Ends of ``y`` ± ``factor`` times its standard uncertainty; none where no value has one."""
    if u is None or not np.isfinite(u).any():
        return None, None
    wide = factor * np.where(np.isfinite(u), u, 0.0)
    return y - wide, y + wide
