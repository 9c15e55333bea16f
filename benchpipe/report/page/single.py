"""One figure of a page as an SVG file of its own, with its style in it."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial

from benchpipe.errors import ConfigError, nearest
from benchpipe.report.page.document import asset
from benchpipe.report.page.html import identifier
from benchpipe.report.page.markup import Markup, joined
from benchpipe.report.page.plot import HEIGHT, WIDTH, panel_svg
from benchpipe.report.page.strip import strip_svg
from benchpipe.report.page.trend import trend_svg
from benchpipe.views.page.model import RunPage

_OPEN = re.compile(r"<svg ([^>]*)viewBox=\"0 0 ([\d.]+) ([\d.]+)\"")


def figures_of(page: RunPage) -> dict[str, Callable[[], Markup]]:
    """Names of all figures of a page, and what draws each."""
    made: dict[str, Callable[[], Markup]] = {}
    if any(one.row["due"] for one in page.margins):
        made["limits"] = partial(strip_svg, page.margins)
    for shown in page.trends:
        name = identifier(shown.trend.block, shown.trend.measure)
        made[name] = partial(trend_svg, shown, page.drift)
    for chart in page.charts:
        for k, panel in enumerate(chart.panels):
            name = identifier(chart.block, chart.name, panel.title if len(chart.panels) > 1 else "")
            title = f"{chart.title}, {chart.block}"
            made.setdefault(name if name not in made else f"{name}-{k}", partial(panel_svg, panel, title))
    return made


def single_figure(page: RunPage, name: str) -> str:
    """One figure; a name may be shortened as long as it means one: ``stiffness`` for ``durability-secant-stiffness``.

    Raises
    ------
    ConfigError
        There is none of that name, or several.
    """
    known, asked = figures_of(page), identifier(name)
    found = [asked] if asked in known else [one for one in known if asked in one]
    first = [one for one in found if one.endswith(("secant-stiffness", "energy-j"))]
    found = first if len(first) == 1 else found
    if len(found) != 1:
        what = "several figures" if found else "no figure"
        raise ConfigError(
            f"{what} of run '{page.view.run}' fit '{name}'",
            expected=", ".join(found) if found else nearest(asked, list(known)), do_next="give one with --figure NAME",
        )  # fmt: skip
    return alone(known[found[0]]())


def alone(drawn: Markup) -> str:
    """A picture as a file: with a namespace, a size and its style."""
    width, height = size_of(drawn)
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
    back = Markup(f"<style>{asset('figures.css')}svg{{background:var(--paper)}}</style>")
    start, rest = drawn.split(">", 1)
    return f"{start.replace('<svg ', head, 1)}>{joined((back, Markup(rest)))}\n"


def size_of(drawn: Markup) -> tuple[float, float]:
    """Width and height of a picture."""
    size = _OPEN.search(drawn)
    return (float(size[2]), float(size[3])) if size else (WIDTH, HEIGHT)
