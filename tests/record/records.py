"""Records of the sample runs, and what tests read of a document."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path

import pytest

from benchpipe.report.record.document import record_document
from benchpipe.run import load_run
from benchpipe.views.record.gather import record_of
from benchpipe.views.record.model import RunRecord

pytest.importorskip("typst")
pypdf = pytest.importorskip("pypdf")

RUNS = ("healthy", "wearing", "creeping-lock")
_WHITE = re.compile(r"[\s\u200b]+")


def record(lab: Path, run: str) -> RunRecord:
    """The record of a sample run."""
    config = load_run(lab.parent / run / "plan.toml")
    return record_of(config, config.open_store())


def document(lab: Path, run: str) -> bytes:
    """The document of a sample run."""
    return record_document(record(lab, run))


def texts(pdf: bytes) -> list[str]:
    """Text of each page, as a reader takes it out."""
    return [page.extract_text() for page in pypdf.PdfReader(BytesIO(pdf)).pages]


def packed(text: str) -> str:
    """A text without white space: where a line is broken does not count."""
    return _WHITE.sub("", text)


def attached(pdf: bytes) -> dict[str, bytes]:
    """Attached files, as an independent library reads them."""
    found = pypdf.PdfReader(BytesIO(pdf)).attachments
    return {str(name): b"".join(data) for name, data in found.items()}
