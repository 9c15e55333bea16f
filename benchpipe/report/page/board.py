"""The board of a lab as one HTML file."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

import numpy as np

from benchpipe.report.page.document import asset, document
from benchpipe.report.page.html import items, paragraph, section
from benchpipe.report.page.markup import Markup, joined, tag, void
from benchpipe.report.page.paths import line_path, path, picture, straight
from benchpipe.report.page.strip import SIGN
from benchpipe.report.signs import UNICODE, clock, number
from benchpipe.report.values import headline_words
from benchpipe.views.caution import CAUTION
from benchpipe.views.lab_rows import NONE
from benchpipe.views.page.board import Board, BoardRow, state_of
from benchpipe.views.specimen_views import lab_test_lines

BAR, SMALL = (90.0, 12.0), (110.0, 30.0)
MOST_NEW = 3
FAR_END_US = 1e30
FIELDS = (
    ("run", "text"), ("state", "number"), ("cycles of plan", "number"), ("a day", "number"),
    ("expected end", "number"), ("worst margin", "number"), ("new alarms", "number"), ("rig", "text"),
)  # fmt: skip


def board_document(board: Board) -> str:
    """The board as one file."""
    made = f"{board.made:%Y-%m-%d %H:%M} UTC"
    head = tag(
        "header", tag("h1", board.name),
        tag("p", "Made ", tag("time", made, datetime=f"{board.made:%Y-%m-%dT%H:%M:%SZ}"), id="made",
            aria_live="polite"),
        tag("p", "If that is more than a day ago, no night has run since: what is here is old.", class_="dim"),
    )  # fmt: skip
    body = joined((head, tag("main", _summary(board), _table(board), _night(board)), tag("footer", tag("p", CAUTION))),
                  "\n")  # fmt: skip
    style = asset("page.css") + asset("figures.css") + asset("board.css")
    return document(f"{board.name}: {len(board.rows):,} runs", made, body, asset("board.js"), style)


def _summary(board: Board) -> Markup:
    counts = board.counts
    words = ", ".join(f"{count:,} {word}" for word, count in counts.items())
    new = sum(len(row.new) for row in board.rows)
    text = f"{len(board.rows):,} runs: {words}; {new:,} new alarms." if board.rows else "No run."
    options = [tag("option", "all states", value="")]
    options += [tag("option", f"{word} ({count:,})", value=word) for word, count in counts.items()]
    tools = tag(
        "div", tag("label", "Search ", void("input", type="search", id="search"), for_="search"),
        tag("label", "Show ", tag("select", joined(options), id="state"), for_="state"),
        tag("label", void("input", type="checkbox", id="new"), " with new alarms only", for_="new"),
        tag("output", "", id="shown", class_="said", aria_live="polite"), class_="js tools",
    )  # fmt: skip
    return joined((tag("p", text, class_="stands"), tools))


def _table(board: Board) -> Markup:
    heads = [(name, kind) for name, kind in FIELDS] + [(name, "") for name in board.scales]
    cells = [
        tag("th", tag("button", name, type="button", class_="sort") if kind else _scale_head(name, board), scope="col",
            data_kind=kind or None)
        for name, kind in heads
    ]  # fmt: skip
    rows = joined(_row(row, board) for row in board.rows)
    caption = tag("caption", "Runs, worst first. A small trend has one scale for all runs of its column.")
    return tag("table", caption, tag("thead", tag("tr", joined(cells))), tag("tbody", rows), id="runs", class_="board")


def _scale_head(name: str, board: Board) -> Markup:
    return joined((name, tag("span", f" ± {number(100.0 * board.scales[name], 2)} %", class_="dim")))


def _row(row: BoardRow, board: Board) -> Markup:
    view, cells = row.view, row.cells
    state = state_of(view)
    sign = "✗" if view.failed is not None else "▪" if view.archived else SIGN[view.verdict]
    kind = "fail" if view.failed is not None else "archived" if view.archived else view.verdict.replace(" ", "-")
    name = tag("a", view.run, href=row.page) if row.page else tag("span", view.run)
    rank = list(board.counts).index(state)
    end = row.view.pace.end_us if row.view.pace and row.view.pace.end_us is not None else FAR_END_US
    found = [
        _cell("run", view.run, name, tag("div", view.specimen, class_="dim"), _record(row), head=True),
        _cell("state", rank, tag("b", f"{sign} {headline_words(view).lower()}", class_=f"v-{kind}"),
              tag("div", cells.limits, class_="dim")),
        _cell("cycles of plan", row.done or 0, _bar(row), tag("span", _none(cells.cycles))),
        _cell("a day", view.pace.per_day if view.pace and view.pace.per_day else 0, _none(cells.per_day)),
        _cell("expected end", end, _none(cells.end)),
        _cell("worst margin", inf if row.worst is None or row.worst.at is None else row.worst.at, *_margin(row)),
        _cell("new alarms", len(row.new), *_new(row)),
        _cell("rig", cells.rig, _none(cells.rig), tag("div", "; ".join(f.code for f in view.health), class_="dim")),
    ]  # fmt: skip
    found += [_cell(name, None, _small(row, name, board.scales[name])) for name in board.scales]
    words = " ".join((view.run, view.specimen, view.rig, view.note, state)).lower()
    return tag("tr", joined(found), data_state=state, data_words=words, data_new=len(row.new))


def _record(row: BoardRow) -> Markup:
    if not row.record:
        return Markup("")
    link = tag("a", "record", href=row.record, aria_label=f"record of {row.view.run} (PDF)")
    return tag("div", link, class_="dim")


def _cell(label: str, value: object, *inside: object, head: bool = False) -> Markup:
    """A cell with the name of its column, for narrow screens, and the value it is sorted by."""
    shown = 1e300 if value == inf else value
    words = {"data_label": label, "data_value": shown}
    return tag("th", *inside, scope="row", **words) if head else tag("td", *inside, **words)


def _none(text: str) -> str:
    return UNICODE.none if text == NONE else text


def _bar(row: BoardRow) -> Markup:
    """Cycles of the plan as a bar."""
    if not row.planned or row.done is None:
        return Markup("")
    part = min(row.done / row.planned, 1.0)
    width, height = BAR
    words = f"{row.done:,} of {row.planned:,} cycles, {100.0 * part:.3g} %"
    return picture(width, height, words, tag("title", words),
                   void("rect", class_="plan", x=0.5, y=0.5, width=width - 1, height=height - 1),
                   void("rect", class_="bar", x=0.5, y=0.5, width=f"{max(part * (width - 1), 1.0):.1f}",
                        height=height - 1), class_="gauge")  # fmt: skip


def _margin(row: BoardRow) -> tuple[object, ...]:
    worst = row.worst
    if worst is None or worst.at is None:
        return (UNICODE.none,)
    value = f"{100.0 * worst.at:+.3g} %" + (f" ± {100.0 * worst.wide:.2g}" if worst.wide else "")
    return value, tag("div", f"{worst.row['limit']}{', near' if worst.marginal else ''}", class_="dim")


def _new(row: BoardRow) -> tuple[object, ...]:
    if not row.new:
        return (UNICODE.none,)
    texts = [alarm.text for alarm in row.new[:MOST_NEW]]
    more = [f"and {len(row.new) - MOST_NEW:,} more"] if len(row.new) > MOST_NEW else []
    return (tag("details", tag("summary", f"{len(row.new):,} new"), items([*texts, *more])),)


def _small(row: BoardRow, name: str, scale: float) -> Markup:
    """A small trend: change since the baseline, on the scale of its column."""
    values = np.array(row.trends.get(name, ()))
    if not values.size:
        return tag("span", UNICODE.none)
    width, height = SMALL
    x = np.linspace(2.0, width - 4.0, values.size)
    y = height / 2 - values / (scale or 1.0) * (height / 2 - 3.0)
    words = f"{name}: {100.0 * values[-1]:+.2g} % since the baseline"
    drawn = (tag("title", words), straight(0, height / 2, width, height / 2, "grid"), path(line_path(x, y), "line"))
    return joined((picture(width, height, words, *drawn, class_="small"),
                   tag("div", f"{100.0 * values[-1]:+.2g} %", class_="dim")))  # fmt: skip


def _night(board: Board) -> Markup:
    """The night's own log."""
    return section("night", "The night", *_night_parts(board))


def _night_parts(board: Board) -> Iterator[Markup]:
    lines = [f"{one.code}: {one.text}. Next: {one.do_next}" for one in board.store]
    lines += [f"not sent: {why}" for why in board.not_told] + ([f"note: {board.note}"] if board.note else [])
    yield items(lines) if lines else paragraph("No problem with the store; every message was sent.")
    for test in board.tests:
        yield items(f"{mark} {text}".strip() for mark, text, _ in lab_test_lines(test))
    failed = [row.view for row in board.rows if row.view.failed is not None]
    for view in failed:
        yield joined((tag("h3", f"{view.run} could not be processed"),
                      tag("pre", joined((view.failed or "").split("\n"), "\n"))))  # fmt: skip
    head = tag(
        "tr", joined(tag("th", words, scope="col") for words in ("run", "logs until", "steps of the last night"))
    )
    rows = [
        tag("tr", tag("td", row.view.run), tag("td", clock(row.view.last_us, dated=row.view.dated)),
            tag("td", ", ".join(f"{s.step} {s.seconds:.1f} s" for s in row.view.steps) or UNICODE.none))
        for row in board.rows
    ]  # fmt: skip
    made = tag("table", tag("thead", head), tag("tbody", joined(rows)))
    yield tag("details", tag("summary", "What each run took"), made)
