"""The page's drawings as files that the document can hold: colours as values, since no browser resolves them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from benchpipe.report.page.document import asset
from benchpipe.report.page.markup import Markup
from benchpipe.report.page.plot import panel_svg
from benchpipe.report.page.single import size_of
from benchpipe.report.page.strip import strip_svg
from benchpipe.report.page.trend import trend_svg, trend_words
from benchpipe.report.page.words import answer, chart_notes, trend_answer, trend_notes
from benchpipe.views.page.model import RunPage

MOST = 80  # drawings of a record
FONT = '"Libertinus Serif","DejaVu Sans Mono"'
WIDE_LETTERS = "svg text{font-size:14.5px}svg .tick,svg .axis,svg .key,svg .stop-name,svg .limit-name{font-size:13.5px}"
_ROOT = re.compile(r":root\{(.*?)\}", re.DOTALL)
_MEDIA = re.compile(r"@media[^{]*\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}")
_VARIABLE = re.compile(r"var\((--[\w-]+)\)")


@dataclass(frozen=True)
class Picture:
    """A drawing: its file, what it answers and shows, and the words for those who do not see it.

    ``wide``: it takes the whole width of the text.
    """

    name: str
    svg: str
    answer: str
    notes: str
    words: str
    wide: bool


@cache
def static_style() -> str:
    """The style of the page's figures on paper, without variables and conditions."""
    style = _MEDIA.sub("", asset("figures.css"))
    root = _ROOT.search(style)
    values = dict(one.split(":", 1) for one in root[1].replace("\n", "").split(";") if one) if root else {}
    plain = _VARIABLE.sub(lambda found: values[found[1]], _ROOT.sub("", style))
    return re.sub(r"font-family:[^;}]*", f"font-family:{FONT}", plain)


def strip_picture(page: RunPage) -> Picture | None:
    """The strip of margins; None where no limit is due."""
    if not any(one.row["due"] for one in page.margins):
        return None
    words = "Margins of the limits that are due; the same figures are in the table of results."
    notes = "limit at nought; bar: value ± U, 95 %; in per cent of the limit, or of the window between two"
    return Picture("limits.svg", _file(strip_svg(page.margins)), "Margins", notes, words, True)


def pictures(page: RunPage) -> Iterator[Picture]:
    """Trends, then charts, in the order of the page."""
    number = 0
    for shown in page.trends:
        number += 1
        notes = [one for one in trend_notes(shown) if not one.startswith("zoomed:")]  # nothing zooms on paper
        yield Picture(
            f"figure-{number}.svg", _file(trend_svg(shown, page.drift), WIDE_LETTERS), trend_answer(shown),
            "; ".join([f"block {shown.trend.block}", *notes]), f"{trend_words(shown)}, block {shown.trend.block}", True,
        )  # fmt: skip
    for chart in page.charts:
        said = "".join(answer(chart.answer))
        for k, panel in enumerate(chart.panels):
            number += 1
            title = f"{chart.title}, {chart.block}"
            words = f"{title}{f', {panel.title}' if panel.title else ''}: {said or 'see the attached tables'}"
            yield Picture(
                f"figure-{number}.svg", _file(panel_svg(panel, title), WIDE_LETTERS), said if not k else panel.title,
                "; ".join(chart_notes(chart)) if not k else title, words, False,
            )  # fmt: skip


def _file(drawn: Markup, more: str = "") -> str:
    """A drawing with a namespace, a size and its style."""
    width, height = size_of(drawn)
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
    start, rest = drawn.split(">", 1)
    return f"{start.replace('<svg ', head, 1)}><style>{static_style()}{more}</style>{rest}"
