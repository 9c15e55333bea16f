"""Tables of the record as texts: what is in each cell, and how wide its column is."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from benchpipe.blocks.charts import Axis, FigureTable
from benchpipe.report.page.markup import Markup
from benchpipe.report.page.plot import axis_words
from benchpipe.report.signs import UNICODE, number
from benchpipe.views.page.model import Facts

SHORT = 26  # letters of a column that is as wide as its longest text
_HASH = re.compile(r"[0-9a-f]{64}")
_TAG = re.compile(r"<[^>]*>")


def cell_text(value: Any) -> str:
    """A value as a cell shows it."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return UNICODE.none
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        shown = number(value, 5)
        return shown.rstrip("0").rstrip(".") if "." in shown and "e" not in shown else shown
    return _TAG.sub("", value) if isinstance(value, Markup) else str(value)


def table_of(head: Sequence[Axis], rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """Head, rows, columns of numbers and widths of a table."""
    numbers = [any(_is_number(row[k]) for row in rows) for k in range(len(head))]
    texts = [[cell_text(value) for value in row] for row in rows]
    return {
        "head": [axis_words(axis) for axis in head],
        "rows": texts,
        "numbers": numbers,
        "widths": [_width([row[k] for row in texts], number=numbers[k]) for k in range(len(head))],
    }


def facts_of(facts: Facts) -> dict[str, Any]:
    """A named table with its note."""
    title = f"{facts.title[:1].upper()}{facts.title[1:]}"
    return {"title": title, "note": facts.note, **table_of(facts.rows.head, facts.rows.rows)}


def rows_of(rows: FigureTable, note: str = "") -> dict[str, Any]:
    """A table without a name."""
    return {"note": note, **table_of(rows.head, rows.rows)}


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _width(texts: list[str], *, number: bool) -> str:
    """``auto``, or the part that a column of long texts takes of what is left."""
    longest = max(map(len, texts), default=0)
    if number or longest <= SHORT or any(_HASH.fullmatch(one) for one in texts):
        return "auto"
    return str(min(max(longest // 20, 2), 6))
