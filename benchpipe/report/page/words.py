"""Sentences of the page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from benchpipe.blocks.charts import Chart
from benchpipe.blocks.figures import Figure
from benchpipe.check.decision import Verdict, applies
from benchpipe.report.page.markup import Markup, tag
from benchpipe.report.page.strip import SIGN
from benchpipe.report.signs import number, unit_shown
from benchpipe.report.values import figure_text, limit_text, measured_text
from benchpipe.views.page.model import RunPage, TrendPicture

LEAST_CHANGE = 0.01  # relative: a smaller one is not worth a word in the first sentence
MOST_NAMED = 3


def answer(parts: Iterable[str | Figure]) -> Iterator[str]:
    """The answer of a chart in words."""
    for part in parts:
        yield figure_text(part) if isinstance(part, Figure) else part


def verdict_mark(verdict: Verdict, *, due: bool = True) -> Markup:
    """A verdict with its sign, which says the same as its colour."""
    if not due:
        return tag("b", "○ not due", class_="v-waits")
    return tag("b", f"{SIGN[verdict]} {verdict}", class_=f"v-{verdict.replace(' ', '-')}")


def listed(words: list[str], most: int = MOST_NAMED) -> str:
    """``a, b and c``; of many the first ones and how many more."""
    if len(words) > most:
        words = [*words[:most], f"{len(words) - most:,} more"]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def standing(page: RunPage) -> str:
    """One sentence: what failed, what changed, how far it is."""
    view = page.view
    if view.failed is not None:
        return f"The run could not be processed: {view.failed.splitlines()[0]}."
    parts = [_verdict_words(page), _change_words(page), _done_words(page)]
    return " ".join(f"{part[:1].upper()}{part[1:]}." for part in parts if part)


def _verdict_words(page: RunPage) -> str:
    due = [m.row for m in page.margins if m.row["due"]]
    by = {v: [_limit_words(r) for r in due if r["verdict"] == v] for v in Verdict}
    if not page.view.judged:
        return "nothing was judged yet"
    if not page.margins:
        return "no limit is set"
    if not due:
        return "nothing is due yet" if any(applies(m.row) for m in page.margins) else "no limit applies"
    if by[Verdict.FAIL]:
        count = len(by[Verdict.FAIL])
        return f"{count} of {len(due)} limits failed: {listed(by[Verdict.FAIL])}"
    for verdict in (Verdict.INCONCLUSIVE, Verdict.NOT_EVALUATED):
        if by[verdict]:
            return f"{len(by[verdict])} of {len(due)} limits {verdict}: {listed(by[verdict])}; none failed"
    near = [m.row["limit"] for m in page.margins if m.marginal]
    words = f"; near to failing: {listed(near)}" if near else ""
    return f"all {len(due)} limits that are due are met{words}" if len(due) > 1 else f"the limit is met{words}"


def _limit_words(row: dict[str, Any]) -> str:
    if row["measured"] is None:
        return f"{row['limit']} ({row['remark'] or 'not measured'})"
    return f"{row['limit']} ({measured_text(row)}, limit {limit_text(row)})"


def _change_words(page: RunPage) -> str:
    known = [c for c in page.changes if c.change is not None]
    if not known:
        return ""
    large = sorted((c for c in known if abs(c.change or 0.0) >= LEAST_CHANGE), key=lambda c: -abs(c.change or 0.0))
    if not large:
        return f"since the baseline no measure changed by more than {100 * LEAST_CHANGE:.0f} %"
    words = [f"{c.label} {'rose' if (c.change or 0) > 0 else 'fell'} by {abs(100.0 * (c.change or 0)):.2g} %"
             for c in large]  # fmt: skip
    return f"since the baseline {listed(words)}"


def _done_words(page: RunPage) -> str:
    parts = []
    for block in page.view.blocks:
        if block.planned and block.things and (block.done or block.planned > 1):
            parts.append(f"{block.name}: {block.done:,} of {block.planned:,} {block.things}")
    return listed(parts, 4) if parts else ""


def plain_unit(value: float, unit: str) -> str:
    """A value as the axis of its chart has it: a ratio stays one."""
    return f"{number(value)} {unit_shown(unit)}".rstrip()


def trend_answer(shown: TrendPicture) -> str:
    """How a measure changed, and where it departs most."""
    trend = shown.trend
    label = f"{trend.label[:1].upper()}{trend.label[1:]}"
    last = plain_unit(float(trend.median[-1]), trend.unit) if trend.median.size else ""
    if trend.change is not None and trend.baseline is not None:
        way = "rose" if trend.change > 0 else "fell"
        first, until = trend.baseline
        words = f"{label} {way} by {abs(100.0 * trend.change):.3g} % since cycles {first:,} to {until:,}, to {last}"
        words = words if abs(trend.change) >= 0.0005 else f"{label} did not change since cycles {first:,} to {until:,}"
    else:
        low, high = trend.extent
        ends = f"{number(low)} to {number(high)} {unit_shown(trend.unit)}".rstrip()
        words = f"{label}: {last} at last, {ends} over all cycles" if last else f"{label}: {ends}"
    return f"{words}."


def trend_notes(shown: TrendPicture) -> Iterator[str]:
    """What the picture of a trend shows, and what was left out of it."""
    trend, coded = shown.trend, shown.coded
    unit = unit_shown(trend.unit)
    yield f"{trend.measured:,} of {trend.values.size:,} cycles"
    if shown.envelope.a_column > 1:
        yield f"each column: smallest to largest of {shown.envelope.a_column:,} cycles; line: median"
    part = coded.part_of_scatter
    if part is not None:
        within, scatter = (f"{number(v, 2)} {unit}".rstrip() for v in (coded.worst_error, coded.scatter))
        yield f"zoomed: every cycle, within {within} ({part:.2f} of one cycle's scatter, {scatter})"
    else:
        yield f"zoomed: every cycle, within {number(coded.worst_error, 2)} {unit}".rstrip()
    if shown.corrected is not None:
        yield "dotted: medians with temperature taken off"
    if shown.expanded_u:
        yield f"band: ± {number(shown.expanded_u, 2)} {unit}, 95 %, of the figure that was judged".rstrip()


def chart_notes(chart: Chart) -> Iterator[str]:
    """What a chart shows."""
    yield f"{chart.title}, block {chart.block}" if chart.block else chart.title
    yield f"{chart.points:,} {chart.things}"
    if chart.reduced:
        yield chart.reduced
