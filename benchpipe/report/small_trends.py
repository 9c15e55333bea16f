"""Small trends of a block's figures: lines of bars, those since baseline on one scale."""

from __future__ import annotations

import math
from collections.abc import Iterable

from benchpipe.blocks.figures import Figure
from benchpipe.report.signs import Marks, sparkline

LEAST_SPAN = 0.02
"""A line has at least this part of the baseline (or of its largest value) as its full height: less looks flat."""


def since_baseline(figure: Figure) -> list[float]:
    """Relative changes since baseline of a figure's trend; empty where its baseline is not known or zero."""
    if figure.change is None or figure.value is None or figure.change == -1.0:
        return []
    base = figure.value / (1.0 + figure.change)
    return [value / base - 1.0 for value in figure.trend] if base else []


def common_scale(figures: Iterable[Figure]) -> tuple[float, float] | None:
    """Smallest and largest change of all figures that have a baseline, nought between them; None without any."""
    changes = [change for figure in figures for change in since_baseline(figure) if math.isfinite(change)]
    if not changes:
        return None
    return _widened(min(0.0, *changes), max(0.0, *changes), LEAST_SPAN)


def small_trend(figure: Figure, scale: tuple[float, float] | None, marks: Marks) -> tuple[str, str]:
    """A figure's line of bars, and the words beside it: its change since baseline, else the ends of its own scale."""
    changes = since_baseline(figure)
    if changes and scale is not None:
        return sparkline(changes, marks.bars, *scale), f"{figure.change:+.1%} since baseline"
    words = "" if figure.change is None else f"{figure.change:+.1%} since baseline"
    known = [value for value in figure.trend if math.isfinite(value)]
    if len(known) < 2:
        return "", words
    low, high = min(known), max(known)
    line = sparkline(known, marks.bars, *_widened(low, high, LEAST_SPAN * max(abs(low), abs(high))))
    return line, words or _ends(low, high, 100.0 if figure.unit == "1" else 1.0)


def _ends(low: float, high: float, times: float) -> str:
    """Two values to the tenth of the power of ten below their distance."""
    if not high > low:
        return "constant"
    places = max(0, 1 - math.floor(math.log10(times * (high - low))))
    return f"{times * low:z,.{places}f} to {times * high:z,.{places}f}"


def scale_words(scale: tuple[float, float]) -> str:
    """The common scale in words."""
    return f"lines since baseline have one scale: {scale[0]:+.1%} to {scale[1]:+.1%}"


def _widened(low: float, high: float, least: float) -> tuple[float, float]:
    """A range of at least a given width, about the same middle."""
    more = max(0.0, least - (high - low)) / 2.0
    return low - more, high + more
