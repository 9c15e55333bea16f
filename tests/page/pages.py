"""Pages of the sample runs, and what tests ask of a page."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

from benchpipe.hints import Names
from benchpipe.night.pages import page_of
from benchpipe.report.page.run_document import run_document
from benchpipe.run import load_run
from benchpipe.views.page.model import RunPage

NOW = datetime(2031, 5, 1, 6, tzinfo=UTC)
RUNS = ("healthy", "wearing", "creeping-lock")
SECTIONS = (
    "stands", "limits", "changed", "loops", "trends", "load", "free", "proofs", "rig", "left-out", "sure", "origin",
)  # fmt: skip


def page(lab: Path, run: str) -> RunPage:
    """The page of a sample run."""
    return page_of(load_run(lab.parent / run / "plan.toml"), lab, Names(run, ""), NOW)


def written(lab: Path, run: str, folder: Path) -> Path:
    """The page of a sample run as a file."""
    path = folder / f"{run}.html"
    path.write_text(run_document(page(lab, run)), encoding="utf-8")
    return path


class Parsed(HTMLParser):
    """Elements of a document, in order, each with its attributes and the text right inside."""

    def __init__(self, document: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[str] = []
        self.feed(document)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep it."""
        self.elements.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close what is open inside it."""
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        """Keep texts that are seen."""
        if not {"script", "style"} & set(self.open):
            self.texts.append(data)

    def of(self, tag: str) -> list[dict[str, str | None]]:
        """Attributes of all elements of that name."""
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self) -> str:
        """All that is read, in one line."""
        return re.sub(r"\s+", " ", " ".join(self.texts))
