"""Pieces of HTML that all sections use: tables, figures, lists."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import Any

from benchpipe.blocks.charts import FigureTable
from benchpipe.report.page.markup import Markup, joined, tag, text
from benchpipe.report.page.plot import axis_words
from benchpipe.report.signs import UNICODE, number

_NO_ID = re.compile(r"[^A-Za-z0-9]+")


def identifier(*words: str) -> str:
    """A name that an address may end in."""
    return "-".join(_NO_ID.sub("-", word).strip("-").lower() for word in words if word) or "x"


def cell(value: Any, *, numbers: bool = False) -> Markup:
    """A cell of a table; ``numbers``: its column holds some."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return tag("td", UNICODE.none, class_="n" if numbers else None)
    if isinstance(value, bool):
        return tag("td", "yes" if value else "no")
    if isinstance(value, int | float):
        shown = f"{value:,}" if isinstance(value, int) else _short(value)
        return tag("td", shown, class_="n")
    if isinstance(value, Markup):
        return tag("td", value)
    long = len(str(value)) > 40 and " " not in str(value)
    return tag("td", tag("code", value) if long else value)


def _short(value: float) -> str:
    """Five digits, without noughts at the end."""
    shown = number(value, 5)
    return shown.rstrip("0").rstrip(".") if "." in shown and "e" not in shown else shown


def table(rows: FigureTable, caption: str) -> Markup:
    """A table that scrolls by itself where it is wider than the page."""
    numbers = [any(_is_number(row[k]) for row in rows.rows) for k in range(len(rows.head))]
    head = tag("tr", joined(tag("th", axis_words(axis), scope="col", class_="n" if n else None)
                            for axis, n in zip(rows.head, numbers, strict=True)))  # fmt: skip
    body = joined(tag("tr", joined(cell(v, numbers=n) for v, n in zip(row, numbers, strict=True)))
                  for row in rows.rows)  # fmt: skip
    made = tag("table", tag("caption", caption), tag("thead", head), tag("tbody", body))
    return scrolled(made, caption)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def scrolled(inside: object, words: str) -> Markup:
    """A region of its own that scrolls sideways, by keys too."""
    return tag("div", inside, class_="scroll", tabindex=0, role="region", aria_label=words)


def twin(rows: FigureTable, words: str) -> Markup:
    """The table of a chart, folded."""
    if not rows.rows:
        return Markup("")
    title = f"{words}, as a table"
    return tag("details", tag("summary", f"Table: {words} ({len(rows.rows):,} rows)"), table(rows, title),
               class_="twin")  # fmt: skip


def figure(name: str, answer: Iterable[object], notes: Iterable[str], inside: object, command: str = "", *,
           class_: str = "", after: object = "") -> Markup:  # fmt: skip
    """A figure: the answer, what it shows, the picture, its table, and the command to its rows."""
    small = [note for note in notes if note]
    caption = tag("figcaption", tag("b", joined(answer)), " ", tag("span", " · ".join(small), class_="dim"))
    source = tag("p", "Rows behind it: ", tag("code", command), class_="source") if command else ""
    return tag("figure", caption, inside, after, source, id=name, class_=class_ or None)


def section(name: str, title: str, *inside: object) -> Markup:
    """A section with its heading."""
    return tag("section", tag("h2", title), joined(inside), id=name, aria_label=title)


def items(lines: Iterable[object]) -> Markup:
    """A list; nothing where there is no line."""
    made = joined(tag("li", line) for line in lines)
    return tag("ul", made) if made else Markup("")


def paragraph(words: object, class_: str = "") -> Markup:
    """A paragraph."""
    return tag("p", text(words), class_=class_ or None)
