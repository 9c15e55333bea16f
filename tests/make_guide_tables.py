"""Write the tables' columns and the list of decisions into the guide: ``python -m tests.make_guide_tables``."""

from __future__ import annotations

import re

from benchpipe.cli.guide import PAGES, records
from benchpipe.tables import TABLES

PAGE = PAGES / "tables.md"
DECISIONS = PAGES / "decisions.md"
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


def with_records(text: str) -> str:
    """The page of decisions, listing the records that are there: number, title, day."""
    rows = ["| | decision | day |", "|---|---|---|"]
    for number, path in records("decisions").items():
        title, _, day, *_ = path.read_text(encoding="utf-8").splitlines()
        rows.append(f"| {number} | [{title[6:]}](decisions/{path.name}) | {day[:10]} |")
    return text.partition("| | decision")[0] + "\n".join(rows) + "\n"


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    DECISIONS.write_text(with_records(DECISIONS.read_text(encoding="utf-8")), encoding="utf-8")
