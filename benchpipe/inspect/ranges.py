"""Choose the rows of a large table to inspect: all, or its beginning, middle and end."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RowRanges:
    """Rows from and to (not included), in order; ``whole``: they are all there are."""

    ranges: tuple[tuple[int, int], ...]
    whole: bool


def ranges_of(rows: int, most: int) -> RowRanges:
    """Rows to look at of a table of ``rows``, about ``most`` of them."""
    if rows <= most:
        return RowRanges(((0, rows),), True)
    part = max(most // 3, 1)
    middle = (rows - part) // 2
    return RowRanges(((0, part), (max(middle, part), max(middle, part) + part), (rows - part, rows)), False)
