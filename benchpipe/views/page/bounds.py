"""Bounds on what a page draws and lists, so that every page can be read; each bound is named beside the chart."""

from __future__ import annotations

from dataclasses import replace

from benchpipe.blocks.charts import Chart, FigureTable, Series
from benchpipe.views.page.model import Facts

MOST_POINTS = 1_500  # drawn of a series
MOST_ROWS = 240  # listed of a table: as many from its beginning as from its end


def bounded(chart: Chart) -> Chart:
    """A chart whose series and rows are few enough to be read."""
    longest = max((s.x.size for panel in chart.panels for s in panel.series), default=0)
    step = -(-longest // MOST_POINTS)
    panels = tuple(replace(p, series=tuple(_thinned(s, step) for s in p.series)) for p in chart.panels)
    drawn = f"one point in {step} drawn" if step > 1 else ""
    rows, left = bounded_rows(chart.rows)
    more = f"{left:,} rows of the table are not listed" if left else ""
    return replace(chart, panels=panels, rows=rows, reduced="; ".join(filter(None, (chart.reduced, drawn, more))))


def bounded_facts(facts: Facts, command: str) -> Facts:
    """A table of facts with as many rows as can be read; ``command`` gives all."""
    rows, left = bounded_rows(facts.rows)
    more = f"{left:,} more rows are not listed: {command}" if left else ""
    return replace(facts, rows=rows, note=" ".join(filter(None, (facts.note, more))))


def bounded_rows(rows: FigureTable) -> tuple[FigureTable, int]:
    """First and last rows of a table, and how many between them are left out."""
    left = len(rows.rows) - MOST_ROWS
    if left <= 0:
        return rows, 0
    half = MOST_ROWS // 2
    return replace(rows, rows=(*rows.rows[:half], *rows.rows[-half:])), left


def _thinned(series: Series, step: int) -> Series:
    if step <= 1:
        return series
    low, high = (None if v is None else v[::step] for v in (series.low, series.high))
    return replace(series, x=series.x[::step], y=series.y[::step], low=low, high=high)
