"""Trends with the limits that are on them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from benchpipe.blocks.charts import Axis, FigureTable, Floats, Ruler, Trend
from benchpipe.views.page.coding import code_trend
from benchpipe.views.page.envelope import envelope
from benchpipe.views.page.model import TrendPicture

PIECES = 16  # rows of a trend's table
OF_VALUES = ("median", "mean", "max", "min", "last")


def picture(trend: Trend, limits: Iterable[dict[str, Any]], corrected: Floats | None = None) -> TrendPicture:
    """A trend with its limits, as rows of the verdicts table have them; equal ones are one line."""
    own = [row for row in limits if row["block"] == trend.block and row["measure"] == trend.measure]
    lines: dict[float, list[str]] = {}
    wide = 0.0
    for row in own:
        for value, u in _on_trend(row, trend):
            lines.setdefault(value, []).append(row["limit"])
            wide = max(wide, u)
    rulers = tuple(Ruler(value, ", ".join(dict.fromkeys(names)), "limit") for value, names in lines.items())
    return TrendPicture(
        trend, code_trend(trend.values), envelope(trend.values), rulers, wide, trend_rows(trend), corrected
    )


def _on_trend(row: dict[str, Any], trend: Trend) -> Iterator[tuple[float, float]]:
    """Limits of a row in the trend's unit, and the expanded uncertainty of what was compared with it."""
    ends = [row["value"]] + ([row["other_value"]] if row["other_value"] is not None else [])
    for end in ends:
        if row["statistic"] == "change" and trend.base is not None:
            yield trend.base * (1.0 + end), abs(trend.base) * (row["expanded_u"] or 0.0)
        elif row["statistic"] in OF_VALUES and row["unit"] == trend.unit:
            yield end, row["expanded_u"] or 0.0


def trend_rows(trend: Trend) -> FigureTable:
    """Smallest, median and largest value over pieces that grow with the cycle number."""
    values, n = trend.values, trend.values.size
    edges = np.unique(np.concatenate([[0], np.geomspace(1, n, PIECES).round()]).astype(np.int64))
    rows = []
    for first, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        piece = values[first:end]
        known = piece[np.isfinite(piece)]
        if known.size:
            rows.append((f"{first + 1:,} to {end:,}" if end > first + 1 else f"{end:,}", int(known.size),
                         float(known.min()), float(np.median(known)), float(known.max())))  # fmt: skip
    unit = trend.unit
    head = (Axis("cycles"), Axis("measured"), Axis("smallest", unit), Axis("median", unit), Axis("largest", unit))
    return FigureTable(head, tuple(rows))
