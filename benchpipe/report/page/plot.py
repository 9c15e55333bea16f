"""One pair of axes of a chart as SVG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike

from benchpipe.blocks.charts import Axis, Panel, Ruler, Series
from benchpipe.report.page.markup import Markup, joined, tag, void
from benchpipe.report.page.paths import area_path, dots, label, line_path, path, picture, straight, whiskers
from benchpipe.report.page.scales import Scale, linear_scale, log_scale, tick_texts
from benchpipe.report.signs import unit_shown

WIDTH, HEIGHT = 460.0, 280.0
LEFT, RIGHT, TOP, BOTTOM = 60.0, 14.0, 24.0, 44.0
LETTER = 6.6  # width of a letter of 12 px, about
RAMP = 10  # colours of a set of loops


def axis_words(axis: Axis) -> str:
    """Label and unit of an axis."""
    unit = unit_shown(axis.unit) if axis.unit not in ("", "1") else ""
    return f"{axis.label} [{unit}]" if unit else axis.label


def panel_svg(panel: Panel, name: str, width: float = WIDTH, height: float = HEIGHT) -> Markup:
    """A panel as a picture of its own."""
    legend, key_height = _legend(panel, width)
    top = TOP + key_height
    left = _left(panel, height, top)
    xs: list[ArrayLike] = [s.x for s in panel.series]
    xs += [r.value for r in panel.rulers if r.along == "x"]
    ys: list[ArrayLike] = [v for s in panel.series for v in (s.y, s.low, s.high) if v is not None]
    ys += [r.value for r in panel.rulers if r.along == "y" and r.kind == "reference"]
    ys += [0.0] if any(s.mark == "bars" for s in panel.series) else []
    x = _scale(panel.x, xs, left, width - RIGHT)
    if panel.x.names:
        x = Scale(0.5, len(panel.x.names) + 0.5, left, width - RIGHT)
    y = _scale(panel.y, ys, height - BOTTOM, top)
    words = f"{name}: {axis_words(panel.y)} against {axis_words(panel.x)}"
    return picture(
        width, height, words, axes(x, y, panel.x, panel.y, title=panel.title), joined(_rulers(panel, x, y)),
        joined(_series(one, k, len(panel.series), x, y) for k, one in enumerate(panel.series)), legend,
    )  # fmt: skip


def _left(panel: Panel, height: float, top: float) -> float:
    """Room for the texts of the upright axis."""
    ys = [v for s in panel.series for v in (s.y, s.low, s.high) if v is not None]
    texts = tick_texts(_scale(panel.y, ys, height - BOTTOM, top).ticks(4))
    return max(LEFT, 14.0 + LETTER * max(map(len, texts), default=1))


def _scale(axis: Axis, values: Sequence[ArrayLike], start: float, end: float) -> Scale:
    return log_scale(values, start, end) if axis.log else linear_scale(values, start, end)


def axes(x: Scale, y: Scale, x_axis: Axis, y_axis: Axis, *, title: str = "", about: int = 5) -> Markup:
    """Grid, ticks and labels of two axes."""
    left, right, bottom, top = x.start, x.end, y.start, y.end
    parts: list[Markup] = []
    ticks = y.ticks(4)
    for k, (value, words) in enumerate(zip(ticks, tick_texts(ticks), strict=True)):
        at = y.place(value)
        parts.append(straight(left, at, right, at, "grid"))
        parts.append(label(left - 6, at + 4, words, f"tick end{' odd' if k % 2 else ''}"))
    ticks = [float(k + 1) for k in range(len(x_axis.names))] or x.ticks(about)
    texts = list(x_axis.names) or ([f"{t:,.6g}" for t in ticks] if x.log else tick_texts(ticks))
    free = -1e9
    for k, (value, words) in enumerate(zip(ticks, texts, strict=True)):
        at, half = x.place(value), 0.5 * LETTER * len(words)
        parts.append(straight(at, bottom, at, top, "grid"))
        if at - half < free:
            continue
        free = at + half + 8
        parts.append(label(at, bottom + 16, words, f"tick mid{' odd' if k % 2 else ''}"))
    parts.append(label(right, bottom + 34, axis_words(x_axis), "axis end"))
    parts.append(label(max(left - 54, 4), top - 10, axis_words(y_axis), "axis"))
    if title:
        parts.append(label(right, top - 10, title, "axis title end"))
    return joined(parts)


def _rulers(panel: Panel, x: Scale, y: Scale) -> Iterator[Markup]:
    for ruler in panel.rulers:
        yield ruler_svg(ruler, x, y)


def ruler_svg(ruler: Ruler, x: Scale, y: Scale) -> Markup:
    """A straight line; a limit that lies outside is an arrow at the edge that it is beyond."""
    if ruler.along == "x":
        at = x.place(ruler.value)
        inside = x.inside(ruler.value)
        return straight(at, y.start, at, y.end, ruler.kind) if inside else Markup("")
    if y.inside(ruler.value):
        at = y.place(ruler.value)
        above = at - 5 if at - 18 > y.end else at + 14
        name = label(x.end - 4, above, ruler.label, f"{ruler.kind}-name end") if ruler.label else ""
        return joined((straight(x.start, at, x.end, at, ruler.kind), name))
    up = ruler.value > y.high
    at = y.end + 4 if up else y.start - 4
    tip = f"M{x.end - 12:.1f} {at:.1f}l4 {7 if up else -7}h-8z"
    return joined((path(tip, "arrow"), label(x.end - 22, at + (9 if up else -2), ruler.label, "limit-name end")))


def _series(series: Series, place: int, count: int, x: Scale, y: Scale) -> Markup:
    px, py = x.at(series.x), y.at(series.y)
    colour = f"s{place % 4}"
    low = y.at(series.low) if series.low is not None else None
    high = y.at(series.high) if series.high is not None else None
    if series.mark == "loop":
        step = min(RAMP - 1, int((series.place or 0.0) * RAMP))
        return tag("path", tag("title", f"cycle {series.name}{f', {series.note}' if series.note else ''}"),
                   class_=f"loop c{step}", d=line_path(px, py), data_cycle=series.name.replace(",", ""),
                   data_note=series.note or None)  # fmt: skip
    if series.mark == "line":
        shade = path(area_path(px, high, low), f"band {colour}") if low is not None and high is not None else ""
        return joined((shade, path(line_path(px, py), f"line {colour}")))
    error = path(whiskers(px, low, high), f"whisker {colour}") if low is not None and high is not None else ""
    if series.mark == "bars":
        return joined((joined(_bars(px, py, y.place(0.0), place, count, colour, x)), error if count == 1 else ""))
    return joined((error, path(dots(px, py, place), f"dot {colour}")))


def _bars(px: np.ndarray, py: np.ndarray, zero: float, place: int, count: int, colour: str, x: Scale) -> Iterator[
    Markup
]:  # fmt: skip
    step = float(np.min(np.diff(px))) if px.size > 1 else 0.5 * (x.end - x.start)
    wide = 0.7 * step / count
    for at, top in zip(px, py, strict=True):
        if np.isfinite(top):
            left = at + (place - count / 2) * wide
            high, low = min(top, zero), max(top, zero)
            yield void("rect", class_=f"bar {colour}", x=f"{left:.1f}", y=f"{high:.1f}", width=f"{wide - 1:.1f}",
                       height=f"{max(low - high, 0.5):.1f}")  # fmt: skip


def _legend(panel: Panel, width: float) -> tuple[Markup, float]:
    """Key of the series in lines below the title, and the height that it takes."""
    if panel.series and panel.series[0].mark == "loop":
        return _ramp(panel.series, width), 22.0
    if len(panel.series) < 2:
        return Markup(""), 0.0
    parts, at, line = [], 14.0, 0
    for k, one in enumerate(panel.series):
        wide = 24.0 + LETTER * len(one.name)
        if at + wide > width and k:
            at, line = 14.0, line + 1
        y = 12.0 + 16.0 * line
        spot = np.array([at]), np.array([y - 4])
        mark = path(f"M{at - 6:.1f} {y - 4:.1f}h12", f"line s{k % 4}") if one.mark == "line" else (
            void("rect", class_=f"bar s{k % 4}", x=f"{at - 5:.1f}", y=f"{y - 9:.1f}", width=10, height=10)
            if one.mark == "bars" else path(dots(*spot, k, 3.4), f"dot s{k % 4}"))  # fmt: skip
        parts += [mark, label(at + 11, y, one.name, "key")]
        at += wide + 12
    return joined(parts), 16.0 * (line + 1)


def _ramp(series: tuple[Series, ...], width: float) -> Markup:
    """Colours of a set of loops, first to last."""
    first, last = series[0].name, series[-1].name
    left = 20.0 + LETTER * (len(first) + 6)
    cells = [void("rect", class_=f"ramp c{k}", x=f"{left + 12 * k:.1f}", y=3, width=12, height=11) for k in range(RAMP)]
    right = left + 12 * RAMP + 8
    return joined((label(14, 13, f"cycle {first}", "key"), *cells, label(right, 13, f"{last} (log scale)", "key")))
