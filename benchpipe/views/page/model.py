"""Result types of the page: data only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchpipe.blocks.charts import Chart, FigureTable, Floats, Ruler, Trend
from benchpipe.views.model import RunView
from benchpipe.views.page.coding import CodedTrend
from benchpipe.views.page.envelope import Envelope


@dataclass(frozen=True)
class Margin:
    """One limit on the strip of margins.

    Attributes
    ----------
    row : dict
        Its row of the verdicts table.
    at, wide : float or None
        Margin and expanded uncertainty in parts of the limit, or of the window of two limits; None where it was not
        measured. A limit of zero has no such part: its margin is in parts of the larger of margin and uncertainty.
    marginal : bool
        It passes, and is near to failing.
    """

    row: dict[str, Any]
    at: float | None
    wide: float | None
    marginal: bool


@dataclass(frozen=True, eq=False)
class TrendPicture:
    """A trend with what is drawn of it. ``expanded_u`` is that of the limit on it; 0 where none was judged.

    ``corrected``: medians of the trend's bins with temperature taken off, shape (b,); None where that is not known.
    """

    trend: Trend
    coded: CodedTrend
    envelope: Envelope
    limits: tuple[Ruler, ...]
    expanded_u: float
    rows: FigureTable
    corrected: Floats | None = None


@dataclass(frozen=True)
class ShownEvent:
    """A sudden change of a measure, or a planned event near one.

    ``size`` with its 95 % interval, in ``unit``; ``near``: what else took place there.
    """

    block: str
    measure: str
    cycle: int
    text: str
    size: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = "1"
    near: str = ""


@dataclass(frozen=True)
class ShownPhase:
    """Cycles of a block in which a measure changes in one way: run-in, steady, wear."""

    block: str
    first: int
    last: int
    name: str


@dataclass(frozen=True)
class Drift:
    """What the drift analysis of a run found. None of it is computed here.

    ``corrected``: by block and measure, the medians of the trend's bins with temperature taken off.
    """

    events: tuple[ShownEvent, ...] = ()
    phases: tuple[ShownPhase, ...] = ()
    forecast: tuple[str, ...] = ()
    corrected: Mapping[tuple[str, str], Floats] = field(default_factory=dict)


@dataclass(frozen=True)
class BaselineChange:
    """How a measure changed since its baseline."""

    block: str
    measure: str
    label: str
    change: float | None
    last: float
    unit: str
    worst: int


@dataclass(frozen=True)
class Facts:
    """A named table of what is known."""

    title: str
    rows: FigureTable
    note: str = ""


@dataclass(frozen=True, eq=False)
class RunPage:
    """Everything on the page of a run; ``drift`` is None where it was not analysed."""

    view: RunView
    margins: tuple[Margin, ...]
    changes: tuple[BaselineChange, ...]
    charts: tuple[Chart, ...]
    trends: tuple[TrendPicture, ...]
    budgets: tuple[dict[str, Any], ...]
    rig: tuple[Facts, ...]
    left_out: tuple[Facts, ...]
    origin: tuple[Facts, ...]
    state: str
    drift: Drift | None = None
