"""The section of trends: a picture each, its coded cycles, and what zooms them."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from typing import Any

from benchpipe.blocks.charts import Floats, Trend
from benchpipe.escapes import quoted
from benchpipe.report.page.html import figure, identifier, paragraph, section, twin
from benchpipe.report.page.markup import Markup, joined, tag
from benchpipe.report.page.trend import least_range, trend_svg
from benchpipe.report.page.words import trend_answer, trend_notes
from benchpipe.report.signs import unit_shown
from benchpipe.views.page.model import RunPage, TrendPicture

MOST_STOPS = 4  # that have a button
MOST_MARKS = 20_000  # stops that are kept for zooming
ABOUT = 60  # cycles on either side of a jump
HELP = (
    "Drag across a chart to zoom; all charts of the block follow. With a chart in focus: arrow keys move, "
    "+ and − zoom (the wheel too), 0 shows all, W goes to the largest departure. With two fingers: pinch and move."
)


def trends_section(page: RunPage) -> Markup:
    """All trends, block by block."""
    blocks = dict.fromkeys(one.trend.block for one in page.trends)
    parts: list[Markup] = [tag("p", HELP, class_="js dim")] if page.trends else []
    for block in blocks:
        own = [one for one in page.trends if one.trend.block == block]
        parts.append(tag(
            "div", tag("h3", f"Block {block}") if len(blocks) > 1 else "", _buttons(own),
            joined(_figure(one, page) for one in own), id=identifier("trends", block), class_="trends",
            data_block=identifier(block), data_n=own[0].trend.values.size, tabindex=-1,
        ))  # fmt: skip
    return section("trends", "Over the cycles", *(parts or [paragraph("No complete cycle was measured.", "dim")]))


def _figure(shown: TrendPicture, page: RunPage) -> Markup:
    trend, view = shown.trend, page.view
    name = identifier(trend.block, trend.measure)
    coded = tag("script", Markup(_json(_document(shown))), type="application/json", class_="coded")
    said = tag("output", "", class_="js said", aria_live="polite", id=f"{name}-said")
    return figure(
        name, (trend_answer(shown),), trend_notes(shown), joined((trend_svg(shown, page.drift), said, coded)),
        f"benchpipe export {view.called or quoted(view.run)} cycles", class_="trend",
        after=twin(shown.rows, f"{trend.label}, {trend.block}"),
    )  # fmt: skip


def _document(shown: TrendPicture) -> dict[str, Any]:
    """What the script needs of a trend."""
    trend, coded = shown.trend, shown.coded
    return {
        "label": trend.label, "unit": unit_shown(trend.unit), "worst": trend.worst, "base": trend.base,
        "u": shown.expanded_u, "least": least_range(shown), "n": coded.n, "low": coded.low, "step": coded.step,
        "block": 256, "codes": _base64(coded.codes), "escapes": _base64(coded.escapes),
        "medians": _base64(coded.medians), "stops": trend.stops[:MOST_MARKS].tolist(),
        "limits": [{"name": r.label, "value": r.value} for r in shown.limits],
"bins": list(_bins(trend, trend.median)),
        "corrected": [] if shown.corrected is None else list(_bins(trend, shown.corrected)),
    }  # fmt: skip


def _bins(trend: Trend, medians: Floats) -> Iterator[list[float]]:
    """First and last cycle and median of each bin, with the digits that a picture can show."""
    for first, last, median in zip(trend.first, trend.last, medians, strict=True):
        yield [int(first), int(last), float(f"{median:.7g}")]


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _json(document: dict[str, Any]) -> str:
    """JSON that may stand in a script element."""
    return json.dumps(document, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c").replace(">", "\\u003e")


def _buttons(own: list[TrendPicture]) -> Markup:
    """Jumps: all cycles, the largest departure of each measure, the first stops."""

    def go(words: str, first: int, last: int) -> Markup:
        return tag("button", words, type="button", data_from=first, data_to=last)

    n = own[0].trend.values.size
    made = [go("all cycles", 0, n), *_departures(own, go)]
    stops = own[0].trend.stops.tolist()
    made += [go(f"stop after cycle {s:,}", max(0, s - ABOUT), s + ABOUT) for s in stops[:MOST_STOPS]]
    return tag("p", joined(made, " "), class_="js jumps")


def _departures(own: list[TrendPicture], go: Any) -> Iterator[Markup]:
    places: dict[int, list[str]] = {}
    for one in own:
        if one.trend.worst and one.trend.unit != "degC":
            places.setdefault(one.trend.worst, []).append(one.trend.label)
    for cycle, labels in places.items():
        words = f"largest departure of {', '.join(labels)}: cycle {cycle:,}"
        yield go(words, max(0, cycle - ABOUT), cycle + ABOUT)
