"""Paths, dots and intervals of SVG from arrays of places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.report.page.markup import Markup, joined, tag, void

Floats = NDArray[np.float64]
SIGNS = 4  # shapes of dots: circle, square, triangle, diamond
RADIUS = 2.6


def line_path(x: Floats, y: Floats) -> str:
    """A line through points, broken where one is missing."""
    pieces, draw = [], False
    for px, py in zip(x.tolist(), y.tolist(), strict=True):
        known = px == px and py == py
        if known:
            pieces.append(f"{'L' if draw else 'M'}{px:.1f} {py:.1f}")
        draw = known
    return "".join(pieces)


def area_path(x: Floats, upper: Floats, lower: Floats) -> str:
    """Areas between two lines, one for each stretch where both are known."""
    known = np.isfinite(x) & np.isfinite(upper) & np.isfinite(lower)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    out = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        over = [f"{a:.1f} {b:.1f}" for a, b in zip(x[first:end], upper[first:end], strict=True)]
        under = [f"{a:.1f} {b:.1f}" for a, b in zip(x[first:end][::-1], lower[first:end][::-1], strict=True)]
        out.append("M" + "L".join(over + under) + "Z")
    return "".join(out)


def dots(x: Floats, y: Floats, sign: int, radius: float = RADIUS) -> str:
    """One path of all dots of a series, in the shape that goes with its place among the series."""
    r, out = radius, []
    for px, py in zip(x.tolist(), y.tolist(), strict=True):
        if px != px or py != py:
            continue
        shape = sign % SIGNS
        if shape == 0:
            out.append(f"M{px - r:.1f} {py:.1f}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0")
        elif shape == 1:
            out.append(f"M{px - r:.1f} {py - r:.1f}h{2 * r}v{2 * r}h{-2 * r}z")
        elif shape == 2:
            out.append(f"M{px:.1f} {py - 1.2 * r:.1f}l{1.2 * r:.1f} {2.2 * r:.1f}h{-2.4 * r:.1f}z")
        else:
            out.append(f"M{px:.1f} {py - 1.3 * r:.1f}l{1.3 * r:.1f} {1.3 * r:.1f}l{-1.3 * r:.1f} {1.3 * r:.1f}"
                       f"l{-1.3 * r:.1f} {-1.3 * r:.1f}z")  # fmt: skip
    return "".join(out)


def whiskers(x: Floats, low: Floats, high: Floats) -> str:
    """One path of vertical intervals."""
    known = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    return "".join(f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in zip(x[known], low[known], high[known], strict=True))


def path(d: str, class_: str, **attributes: object) -> Markup:
    """A path; nothing where there is none."""
    return void("path", class_=class_, d=d, **attributes) if d else Markup("")


def label(x: float, y: float, words: object, class_: str) -> Markup:
    """A text at a place."""
    return tag("text", words, x=f"{x:.1f}", y=f"{y:.1f}", class_=class_)


def straight(x1: float, y1: float, x2: float, y2: float, class_: str) -> Markup:
    """A straight line."""
    return void("path", class_=class_, d=f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}")


def picture(width: float, height: float, words: str, *inside: object, class_: str = "plot") -> Markup:
    """An SVG picture that a screen reader names by its words."""
    return tag("svg", joined(inside), viewBox=f"0 0 {width:g} {height:g}", class_=class_, role="img", aria_label=words)
