"""A trend in the terminal: axis, band of all cycles, medians, limits and events, in 80 columns without colour."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.report.page.scales import Scale, linear_scale, tick_texts
from benchpipe.report.signs import number, unit_shown
from benchpipe.views.page.model import Drift, ShownEvent, TrendPicture

WIDTH, ROWS, LEFT = 80, 15, 11
COLUMNS = WIDTH - LEFT
LEAST_PART = 0.02  # of the median: the range of the axis, at least, so that noise does not look like a change
FAR = 1.5  # a limit farther from the values than their range times this is named, and not drawn
MOST_LISTED = 6
Floats = NDArray[np.float64]


class Pen(NamedTuple):
    """What is drawn with."""

    median: str
    band: str
    limit: str
    event: str
    side: str
    tick: str
    floor: str
    corner: str


UNICODE = Pen("●", "░", "─", "│", "│", "┤", "─", "└")
ASCII = Pen("*", ":", "-", "|", "|", "+", "-", "+")


def trend_lines(shown: TrendPicture, drift: Drift | None, *, plain: bool) -> Iterator[str]:
    """Lines of a trend. ``plain``: ASCII alone."""
    pen, trend = ASCII if plain else UNICODE, shown.trend
    unit = trend.unit if plain else unit_shown(trend.unit)
    n = trend.values.size
    x = Scale(0.5, n + 0.5, 0.0, float(COLUMNS))
    low, high, median = _columns(shown)
    near = [r.value for r in shown.limits if _near(r.value, low, high)]
    middle = abs(float(np.nanmedian(median))) if np.isfinite(median).any() else 0.0
    y = linear_scale([low, high, near], float(ROWS), 0.0, least=LEAST_PART * middle)
    events = _events(shown, drift)
    yield f"{trend.label}, {trend.block}{f' [{unit}]' if unit else ''}"
    grid = [[" "] * COLUMNS for _ in range(ROWS)]
    for event in events:
        for row in grid:
            row[_at(x.place(event.cycle), COLUMNS)] = pen.event
    for value in near:
        grid[_at(y.place(value), ROWS)] = [pen.limit] * COLUMNS
    for k in range(COLUMNS):
        if np.isfinite(low[k]):
            for at in range(_at(y.place(high[k]), ROWS), _at(y.place(low[k]), ROWS) + 1):
                grid[at][k] = pen.band
        if np.isfinite(median[k]):
            grid[_at(y.place(median[k]), ROWS)][k] = pen.median
    ticks = y.ticks(5)
    named = {_at(y.place(v), ROWS): words for v, words in zip(ticks, tick_texts(ticks), strict=True)}
    for place, row in enumerate(grid):
        yield f"{named.get(place, ''):>{LEFT - 2}} {pen.tick if place in named else pen.side}{''.join(row)}".rstrip()
    yield " " * (LEFT - 1) + pen.corner + pen.floor * COLUMNS
    yield f"{'cycle 1':>{LEFT + 4}}{f'{n:,}':>{COLUMNS - 4}}"
    yield from _legend(shown, events, near, pen, unit)


def can_draw(encoding: str | None) -> bool:
    """Whether a terminal has all signs."""
    try:
        ("".join(UNICODE) + "·°").encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _at(place: float, count: int) -> int:
    return min(max(int(place), 0), count - 1)


def _columns(shown: TrendPicture) -> tuple[Floats, Floats, Floats]:
    """Smallest and largest value, and the median of the bin, of each column; NaN for none."""
    n, seen, trend = shown.trend.values.size, shown.envelope, shown.trend
    low, high, median = (np.full(COLUMNS, np.nan) for _ in range(3))
    edges = np.linspace(0.5, n + 0.5, COLUMNS + 1)
    for k, (a, b) in enumerate(pairwise(edges.tolist())):
        inside = (seen.last >= a) & (seen.first <= b) & np.isfinite(seen.low)
        if inside.any():
            low[k], high[k] = seen.low[inside].min(), seen.high[inside].max()
        bins = np.flatnonzero((trend.first <= (a + b) / 2) & (trend.last >= (a + b) / 2))
        if bins.size:
            median[k] = trend.median[bins[-1]]
    return low, high, median


def _near(value: float, low: Floats, high: Floats) -> bool:
    if not np.isfinite(low).any():
        return False
    least, most = float(np.nanmin(low)), float(np.nanmax(high))
    span = max(most - least, LEAST_PART * max(abs(least), abs(most)))
    return least - FAR * span <= value <= most + FAR * span


def _events(shown: TrendPicture, drift: Drift | None) -> list[ShownEvent]:
    every: Iterable[ShownEvent] = drift.events if drift is not None else ()
    return [e for e in every if e.block == shown.trend.block and e.measure in ("", shown.trend.measure)]


def _legend(shown: TrendPicture, events: list[ShownEvent], near: list[float], pen: Pen, unit: str) -> Iterator[str]:
    yield f"{pen.median} median   {pen.band} smallest to largest cycle"
    for ruler in shown.limits:
        where = "" if ruler.value in near else ", beyond the axis"
        yield f"{pen.limit} {ruler.label}: {number(ruler.value)} {unit}{where}".rstrip()
    for event in events[:MOST_LISTED]:
        size = "" if event.size is None else f", {event.size:+.3g} {event.unit}"
        near_it = f"; near it: {event.near}" if event.near else ""
        yield f"{pen.event} cycle {event.cycle:,}: {event.text}{size}{near_it}"
    if len(events) > MOST_LISTED:
        yield f"  and {len(events) - MOST_LISTED} more events"
