"""The board of a lab: one row a run, and what the night itself has to say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from benchpipe.blocks.figures import Figure
from benchpipe.check.decision import Verdict
from benchpipe.check.specimens import LabTestResult
from benchpipe.health.finding import Finding
from benchpipe.views.lab_rows import LabRow, lab_row
from benchpipe.views.model import Alarm, RunView
from benchpipe.views.page.margins import margins
from benchpipe.views.page.model import Margin

MOST_TRENDS = 2  # measures that have a small trend


@dataclass(frozen=True)
class BoardRow:
    """A run on the board.

    Attributes
    ----------
    cells : LabRow
        Its texts as the table of a night has them.
    done, planned : int or None
        Cycles, for the bar.
    worst : Margin or None
        The limit that is due with the smallest margin in parts of it; None where none was measured. A count that must
        stay nought, and did, has no margin.
    trends : mapping
        By measure: change since the baseline, as parts of it, in the order of the cycles.
    page : str
        Address of its page, relative to the board; empty where it has none.
    record : str
        The same of its newest record.
    """

    view: RunView
    cells: LabRow
    done: int | None
    planned: int | None
    worst: Margin | None
    trends: dict[str, tuple[float, ...]]
    new: tuple[Alarm, ...]
    page: str = ""
    record: str = ""


@dataclass(frozen=True)
class Board:
    """The board of a lab; ``scales``: largest change of each measure over all runs, for one scale a measure."""

    name: str
    made: datetime
    rows: tuple[BoardRow, ...]
    scales: dict[str, float]
    store: tuple[Finding, ...] = ()
    not_told: tuple[str, ...] = ()
    note: str = ""
    tests: tuple[LabTestResult, ...] = ()

    @property
    def counts(self) -> dict[str, int]:
        """Runs by what is to be done, worst first."""
        words = [state_of(row.view) for row in self.rows]
        return {word: words.count(word) for word in dict.fromkeys(words)}


def state_of(view: RunView) -> str:
    """A run in a word, to filter by."""
    if view.failed is not None:
        return "not worked on"
    if view.archived:
        return "archived"
    return {Verdict.FAIL: "failed", Verdict.PASS: "within limits"}.get(view.verdict, str(view.verdict))


def board(name: str, made: datetime, views: Iterable[RunView], pages: Mapping[str, str], *,
          records: Mapping[str, str] | None = None, store: tuple[Finding, ...] = (), not_told: tuple[str, ...] = (),
          note: str = "", tests: tuple[LabTestResult, ...] = ()) -> Board:  # fmt: skip
    """Gather the board.

    Parameters
    ----------
    views : iterable of RunView
        Worst first, with health and alarms.
    pages, records : mapping
        Addresses of pages, and of records, by run.
    """
    views = tuple(views)
    measures = _measures(views)
    rows = tuple(
        _row(view, pages.get(view.run, ""), (records or {}).get(view.run, ""), measures) for view in views
    )
    scales = {
        measure: max((abs(v) for row in rows for v in row.trends.get(measure, ())), default=0.0) for measure in measures
    }
    return Board(name, made, rows, scales, store, not_told, note, tests)


def _row(view: RunView, page: str, record: str, measures: list[str]) -> BoardRow:
    due = [one for one in margins(view.limits) if one.row["due"] and one.at is not None and not _is_count(one)]
    trends = {one.name: _changes(one) for one in _trending(view) if one.name in measures}
    pace = view.pace
    return BoardRow(
        view, lab_row(view), pace.done if pace else None, pace.planned if pace else None,
        min(due, key=lambda one: one.at or 0.0, default=None), trends,
        tuple(alarm for alarm in view.alarms if alarm.new), page, record,
    )  # fmt: skip


def _is_count(one: Margin) -> bool:
    """Whether it is a count that must stay nought, and did: it has no margin."""
    return one.row["value"] == 0.0 and one.at == 0.0


def _measures(views: Iterable[RunView]) -> list[str]:
    """Measures that most runs follow over their cycles."""
    names = [one.name for view in views for one in _trending(view)]
    return sorted(dict.fromkeys(names), key=lambda name: -names.count(name))[:MOST_TRENDS]


def _trending(view: RunView) -> list[Figure]:
    """Figures of a run that change since a baseline; each name once."""
    found = [f for block in view.blocks for f in block.figures if f.change is not None and len(f.trend) > 1]
    return list({figure.name: figure for figure in reversed(found)}.values())[::-1]


def _changes(figure: Figure) -> tuple[float, ...]:
    """The trend of a figure as changes since its baseline; none where the baseline is nought."""
    if figure.value is None or figure.change is None or figure.change == -1.0:
        return ()
    base = figure.value / (1.0 + figure.change)
    return tuple(value / base - 1.0 for value in figure.trend) if base else ()
