"""Write the tables' columns into the guide: ``python -m tests.make_guide_tables``."""

from __future__ import annotations

import re
from pathlib import Path

from benchpipe.tables import TABLES

PAGE = Path(__file__).parents[1] / "benchpipe" / "guide" / "tables.md"
BETWEEN = re.compile(r"(<!-- tables: .*? -->\n).*?(<!-- end of tables -->)", re.DOTALL)
BAR = "\\|"  # a bar that ends no cell


def listing() -> str:
    """All tables, a column a line."""
    parts = []
    for name, columns in TABLES.items():
        rows = [f"| `{c.name}` | {c.unit or ' '} | {c.meaning.replace('|', BAR)} |" for c in columns]
        parts.append("\n".join([f"**{name}**", "", "| column | unit | meaning |", "|---|---|---|", *rows, ""]))
    return "\n".join(parts)


def with_tables(text: str) -> str:
    """The page with the tables as they are now."""
    return BETWEEN.sub(lambda found: f"{found[1]}{listing()}{found[2]}", text)


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
