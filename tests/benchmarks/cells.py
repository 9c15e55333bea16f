"""A study's figures as a Markdown table, one number a cell."""

from __future__ import annotations

from collections.abc import Iterable


def heading(*names: str) -> str:
    """The two lines over the rows."""
    return f"{row(*names)}\n|{'---|' * len(names)}"


def row(*cells: object) -> str:
    """One row; a cell that has nothing is empty."""
    return f"| {' | '.join(str(cell) for cell in cells)} |"


def figures(rows: Iterable[tuple[str, object, str, str]]) -> str:
    """A table of single figures: what, value, unit, aim."""
    return "\n".join([heading("figure", "value", "unit", "aim"), *(row(*one) for one in rows)])
