"""Verify the pages of a lab: each against the hash that was noted beside the lab file when it was written.

A page that is gone is no finding: it is a view of the store, and can be written at any time.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.files import sha256_of
from benchpipe.store.page_note import NOTE, WrittenPage, read_pages
from benchpipe.verify.line import Line, Status

AGAIN = "remove it: benchpipe page RUN or the next night writes another"


class NotedPages:
    """Pages that are noted beside a lab file, read once for all of its runs."""

    def __init__(self, lab: Path | None) -> None:
        self.trouble = ""
        self._pages: dict[Path, WrittenPage] = {}
        try:
            self._pages = read_pages(lab) if lab is not None else {}
        except StoreError as error:
            self.trouble = error.what

    def lines(self, run: str) -> Iterator[Line]:
        """Pages of a run; of the lab as a whole where ``run`` is empty."""
        if self.trouble and not run:
            yield Line(Status.CHANGED, "", f"note {NOTE}", self.trouble)
        mine = {path: page for path, page in self._pages.items() if page.run == run}
        there = [path for path in mine if path.is_file()]
        bad = 0
        for path in there:
            fault = _fault(path, mine[path])
            if fault is not None:
                bad += 1
                yield Line(fault[0], run, f"page {path.name}", fault[1])
        if there and not bad:
            text = f"{len(there):,} of {len(mine):,} are there, each as it was written"
            yield Line(Status.HOLDS, run, "pages", text)


def _fault(path: Path, page: WrittenPage) -> tuple[Status, str] | None:
    """What is wrong with a page; None where it is what was written."""
    try:
        same = sha256_of(path) in page.sha256
    except OSError as error:
        return Status.UNKNOWN, f"{path} cannot be read: {error.strerror}"
    return None if same else (Status.CHANGED, f"the bytes of {path} are not those that were written; {AGAIN}")
