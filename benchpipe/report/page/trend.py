"""The picture of a trend: smallest and largest cycle of each column, medians of the bins, limits, stops, events."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.charts import Axis, Ruler
from benchpipe.report.page.markup import Markup, joined
from benchpipe.report.page.paths import area_path, label, line_path, path, picture, straight
from benchpipe.report.page.plot import LETTER, axes, ruler_svg
from benchpipe.report.page.scales import Scale, linear_scale, tick_texts
from benchpipe.report.signs import number, unit_shown
from benchpipe.views.page.model import Drift, TrendPicture

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 860.0, 220.0
LEFT, RIGHT, TOP, BOTTOM = 62.0, 62.0, 26.0, 44.0
LEAST_PART = 0.02  # of the median: the range of an axis, at least, so that noise does not look like a change
LEAST_KELVIN = 2.0
FAR = 1.5  # a limit farther from the values than their range times this is an arrow at the edge
MOST_STOPS = 200


def least_range(shown: TrendPicture) -> float:
    """Least range of the upright axis of a trend."""
    values = shown.trend.values
    known = values[np.isfinite(values)]
    if shown.trend.unit == "degC":
        return LEAST_KELVIN
    return LEAST_PART * abs(float(np.median(known))) if known.size else 0.0


def trend_svg(shown: TrendPicture, drift: Drift | None = None) -> Markup:
    """A trend over all its cycles."""
    trend, seen = shown.trend, shown.envelope
    n = trend.values.size
    x = Scale(0.5, n + 0.5 + (n == 1), LEFT, WIDTH - RIGHT)
    inside = [r.value for r in shown.limits if _near(r.value, seen.low, seen.high)]
    y = linear_scale([seen.low, seen.high, inside], HEIGHT - BOTTOM, TOP, least=least_range(shown))
    middle = x.at(0.5 * (seen.first + seen.last))
    upper, lower = y.at(seen.high), y.at(seen.low)
    if seen.a_column > 1:
        lower = np.maximum(lower, upper + 0.8)
        extent = path(area_path(middle, upper, lower), "extent")
    else:
        extent = path(line_path(middle, upper), "single")
    edges, steps = step_line(trend.first - 0.5, trend.last + 0.5, trend.median)
    shade = ""
    if shown.expanded_u:
        wide = y.at(steps + shown.expanded_u), y.at(steps - shown.expanded_u)
        shade = path(area_path(x.at(edges), *wide), "band")
    off = None if shown.corrected is None else step_line(trend.first - 0.5, trend.last + 0.5, shown.corrected)[1]
    corrected = "" if off is None else path(line_path(x.at(edges), y.at(off)), "corrected")
    words = trend_words(shown)
    parts = (
        axes(x, y, Axis("cycle"), Axis(trend.label, trend.unit), about=7), joined(_percent(shown, y)),
        joined(_stops(shown, x, y)), extent, shade, path(line_path(x.at(edges), y.at(steps)), "median"), corrected,
        joined(ruler_svg(ruler, x, y) for ruler in shown.limits), joined(_events(shown, drift, x, y)),
    )  # fmt: skip
    return picture(WIDTH, HEIGHT, words, *parts)


def step_line(first: Floats, last: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Ends and values of a line that is level over each bin, broken between bins."""
    edges = np.column_stack([first, last, last]).ravel()
    steps = np.column_stack([values, values, np.full(values.size, np.nan)]).ravel()
    return edges, steps


def trend_words(shown: TrendPicture) -> str:
    """A trend for those who do not see it."""
    trend = shown.trend
    unit = unit_shown(trend.unit)
    known = trend.values[np.isfinite(trend.values)]
    low, high = (number(float(v)) for v in (known.min(), known.max()))
    return f"{trend.label} of {known.size:,} cycles, from {low} to {high} {unit}".rstrip()


def _near(value: float, low: np.ndarray, high: np.ndarray) -> bool:
    """Whether a limit is near enough to the values for the axis to reach it."""
    if not np.isfinite(low).any():
        return False
    least, most = float(np.nanmin(low)), float(np.nanmax(high))
    span = max(most - least, LEAST_PART * max(abs(least), abs(most)))
    return least - FAR * span <= value <= most + FAR * span


def _percent(shown: TrendPicture, y: Scale) -> Iterator[Markup]:
    """Change since the baseline at the right edge."""
    base = shown.trend.base
    if not base:
        return
    low, high = sorted((100.0 * (y.low / base - 1.0), 100.0 * (y.high / base - 1.0)))
    scale = Scale(low, high, *((y.start, y.end) if base > 0 else (y.end, y.start)))
    ticks = scale.ticks(4)
    for k, (value, words) in enumerate(zip(ticks, tick_texts(ticks), strict=True)):
        at = scale.place(value)
        sign = "+" if value > 0 else ""
        yield straight(WIDTH - RIGHT, at, WIDTH - RIGHT + 4, at, "grid")
        yield label(WIDTH - RIGHT + 7, at + 4, f"{sign}{words} %", f"tick{' odd' if k % 2 else ''}")
    words = "since baseline"
    yield label(min(WIDTH - 4, WIDTH - RIGHT + 7 + LETTER * 8), TOP - 10, words, "axis end")


def _stops(shown: TrendPicture, x: Scale, y: Scale) -> Iterator[Markup]:
    """Where the rig stopped; of many, one in each place."""
    places = np.unique(np.round(x.at(shown.trend.stops + 0.5)))
    for at in places[:: -(-places.size // MOST_STOPS) or 1].tolist():
        yield straight(at, y.start, at, y.end, "stop")
    if places.size:
        yield label(places[0] + 3, y.start - 4, "stop" if places.size == 1 else "stops", "stop-name")


def _events(shown: TrendPicture, drift: Drift | None, x: Scale, y: Scale) -> Iterator[Markup]:
    """Events and phases, where drift was analysed."""
    if drift is None:
        return
    own = [e for e in drift.events if e.block == shown.trend.block and e.measure in ("", shown.trend.measure)]
    for event in own[:MOST_STOPS]:
        yield ruler_svg(Ruler(event.cycle + 0.5, "", "event", "x"), x, y)
        yield label(x.place(event.cycle + 0.5), y.end - 2, "▼", "event-name mid")
    for phase in drift.phases:
        if phase.block == shown.trend.block:
            at = x.place(phase.first)
            yield joined((straight(at, y.start, at, y.end, "phase"), label(at + 4, y.end + 12, phase.name, "axis")))
