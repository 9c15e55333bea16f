"""A loop in the terminal: load over motion, in 80 columns without colour."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from benchpipe.report.page.scales import Scale, linear_scale, tick_texts
from benchpipe.report.signs import number, unit_shown
from benchpipe.report.trend_text import ASCII, UNICODE
from benchpipe.views.loop import Loop

WIDTH, ROWS, LEFT = 80, 19, 11
COLUMNS = WIDTH - LEFT
FINE = 4
"""Points between two samples for each place of the grid that they are apart."""


def loop_lines(loop: Loop, *, plain: bool) -> Iterator[str]:
    """Lines of a loop. ``plain``: ASCII alone."""
    pen = ASCII if plain else UNICODE
    units = {name: unit if plain else unit_shown(unit) for name, unit in loop.units.items()}
    motion, load = loop.motion, loop.load
    good = np.isfinite(motion) & np.isfinite(load)
    x, y = linear_scale([motion[good]], 0.0, float(COLUMNS)), linear_scale([load[good]], float(ROWS), 0.0)
    yield f"{loop.block}, cycle {loop.cycle:,}: load [{units['load']}] over motion [{units['motion']}]"
    grid = [[" "] * COLUMNS for _ in range(ROWS)]
    places = list(zip(x.at(motion[good]).tolist(), y.at(load[good]).tolist(), strict=True))
    for (a, b), (c, d) in pairwise(places):
        steps = max(int(FINE * max(abs(c - a), abs(d - b))), 1)
        for k in range(steps + 1):
            part = k / steps
            _mark(grid, a + part * (c - a), b + part * (d - b), pen.band)
    for a, b in places:
        _mark(grid, a, b, pen.median)
    ticks = y.ticks(5)
    named = {_at(y.place(v), ROWS): words for v, words in zip(ticks, tick_texts(ticks), strict=True)}
    for place, row in enumerate(grid):
        yield f"{named.get(place, ''):>{LEFT - 2}} {pen.tick if place in named else pen.side}{''.join(row)}".rstrip()
    yield " " * (LEFT - 1) + pen.corner + pen.floor * COLUMNS
    yield _below(x)
    yield (
        f"{pen.median} {int(good.sum())} samples, closed; load {number(float(load[good].min()))} to "
        f"{number(float(load[good].max()))} {units['load']}, motion {number(float(motion[good].min()))} to "
        f"{number(float(motion[good].max()))} {units['motion']}"
    )
    source = "cut from the samples" if loop.from_samples else "as it was kept"
    yield f"  {source}{f'; kept as {loop.why}' if loop.why else ''}"


def _mark(grid: list[list[str]], x: float, y: float, sign: str) -> None:
    grid[_at(y, ROWS)][_at(x, COLUMNS)] = sign


def _at(place: float, count: int) -> int:
    return min(max(int(place), 0), count - 1)


def _below(x: Scale) -> str:
    """Numbers of the axis of the motion, each under its place."""
    row = [" "] * WIDTH
    ticks = x.ticks(6)
    for value, words in zip(ticks, tick_texts(ticks), strict=True):
        begin = min(max(LEFT + _at(x.place(value), COLUMNS) - len(words) // 2, 0), WIDTH - len(words))
        if all(c == " " for c in row[max(begin - 1, 0) : begin + len(words) + 1]):
            row[begin : begin + len(words)] = words
    return "".join(row).rstrip()
