"""Margins of all limits on one scale: parts of the limit, or of the window between two."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from benchpipe.views.alarms import is_near
from benchpipe.views.page.model import Margin


def margins(rows: Iterable[Mapping[str, Any]]) -> tuple[Margin, ...]:
    """Margins of the rows of the verdicts table, in their order."""
    every = [dict(row) for row in rows]
    return tuple(_margin(row, every) for row in every)


def _margin(row: dict[str, Any], rows: list[dict[str, Any]]) -> Margin:
    margin, u = row["margin"], row["expanded_u"] or 0.0
    near = is_near(row, rows)
    if margin is None or row["measured"] is None:
        return Margin(row, None, None, near)
    other = row["other_value"]
    scale = abs(row["value"] - other) if other is not None else abs(row["value"])
    scale = scale or max(abs(margin), u)
    return Margin(row, margin / scale if scale else 0.0, u / scale if scale else 0.0, near)
