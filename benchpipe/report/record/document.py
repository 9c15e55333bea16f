"""The record as bytes of a PDF/A-3a and PDF/UA-1 document. The same record gives the same bytes."""

from __future__ import annotations

import json
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

from benchpipe.errors import MissingExtraError, install_extra
from benchpipe.report.record.data import record_data
from benchpipe.report.record.glyphs import Letters
from benchpipe.store.refusals import refused
from benchpipe.views.record.model import RunRecord

TEMPLATE = Path(__file__).parent / "record.typ"
STANDARDS = ["a-3a", "ua-1"]
WHOLE = frozenset({"attached", "document", "words"})  # read by programs: names of files, alternative texts
TRIAL = '#set document(title: "x", date: datetime(year: 2000, month: 1, day: 1))\n' \
        '#set text(lang: "en", font: ("Libertinus Serif", "DejaVu Sans Mono"))\n#sys.inputs.letter'  # fmt: skip


def library() -> Any:
    """The library that sets the document.

    Raises
    ------
    MissingExtraError
        It is not installed; says what to install.
    """
    try:
        return import_module("typst")
    except ImportError:
        raise MissingExtraError(
            "a record needs the library 'typst', which is not installed", do_next=install_extra("record")
        ) from None


def record_document(record: RunRecord) -> bytes:
    """The document.

    Raises
    ------
    MissingExtraError
        The library is not installed.
    StoreError
        The folder for temporary files cannot be written.
    """
    typst = library()
    data, drawings = record_data(record)
    letters = Letters(_has(typst))
    try:
        return _compiled(typst, record, data, drawings, letters)
    except typst.TypstError as error:
        if "could not be displayed" not in str(error) and "codepoint" not in str(error):
            raise
    return _compiled(typst, record, data, drawings, Letters(lambda _: False))  # letters that only fail beside others


def _has(typst: Any) -> Any:
    """Whether the fonts have a letter: a document of it alone can be made."""
    fonts = typst.Fonts(include_system_fonts=False)

    def has(letter: str) -> bool:
        try:
            typst.compile(
                TRIAL.encode(), format="pdf", pdf_standards=STANDARDS, font_paths=fonts, ignore_system_fonts=True,
                sys_inputs={"letter": letter},
            )  # fmt: skip
        except typst.TypstError:
            return False
        return True

    return has


def _compiled(typst: Any, record: RunRecord, data: dict[str, Any], drawings: dict[str, str], letters: Letters) -> bytes:
    """The document from a folder of its own, which is removed. No other file can be read from there."""
    files = {
        "record.typ": TEMPLATE.read_bytes(),
        "data.json": json.dumps(letters.all_of(data, whole=WHOLE)).encode(),
        **{name: letters.known(svg).encode() for name, svg in drawings.items()},
        **{one.name: one.data for one in record.attached},
    }
    temporary = refused(Path(tempfile.gettempdir()), "name another folder for temporary files in TMPDIR")
    with temporary, tempfile.TemporaryDirectory(prefix="benchpipe-record-") as name:
        for file, content in files.items():
            (Path(name) / file).write_bytes(content)
        made: bytes = typst.compile(
            str(Path(name) / "record.typ"), root=name, format="pdf", pdf_standards=STANDARDS, ignore_system_fonts=True
        )
        return made
