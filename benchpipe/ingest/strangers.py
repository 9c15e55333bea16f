"""Files among the logs that are none: office files, pictures, what a file browser leaves, notes.

Told by their first bytes or their name. A file that may be a log, damaged or written otherwise than the rig file says,
is none of them: that is an error, since rows would be missing without a word.
"""

from __future__ import annotations

import re
from pathlib import Path

from benchpipe.config.rig import RigConfig
from benchpipe.ingest.batch import needed_columns
from benchpipe.ingest.opened import open_log

HEAD = 1 << 16  # bytes of a note that are looked at
LEAST_FIGURES, MOST_OF_A_ROW = 2, 0.6  # numbers in a line, and their part of its cells, from which on it may be a row
_NUMBER = re.compile(r"[-+\u2212]?[\d.,:/\- T\u00a0]*\d[\d.,:/\- T]*(?:[eE][-+]?\d+)?|[Nn][Aa][Nn]")
NAMES = {
    "thumbs.db": "thumbnails of a file browser", "ehthumbs.db": "thumbnails of a file browser",
    "desktop.ini": "settings of a file browser",
}  # fmt: skip
BEGINNINGS = {
    b"PK\x03\x04": "a workbook, document or zip archive", b"PK\x05\x06": "a zip archive",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1": "a workbook or document of an office program", b"{\\rtf": "a document",
    b"%PDF-": "a PDF document", b"\x89PNG\r\n\x1a\n": "an image", b"\xff\xd8\xff": "an image",
    b"GIF87a": "an image", b"GIF89a": "an image", b"II*\x00": "an image", b"MM\x00*": "an image",
    b"SQLite format 3\x00": "a database", b"7z\xbc\xaf\x27\x1c": "an archive", b"Rar!\x1a\x07": "an archive",
    b"\x7fELF": "a program", b"RIFF": "a sound or film",
}  # fmt: skip
OTHER_LOGS = ("hdf5", "matlab", "mdf", "parquet", "arrow")  # none of these begins so


def why_stranger(path: Path, rig: RigConfig) -> str | None:
    """What a file is instead of a log; None where it may be one.

    Parameters
    ----------
    rig : RigConfig
        Says in which format and encoding its logs are, and which columns they have.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    known = NAMES.get(path.name.lower(), "a lock file of an office program" if path.name.startswith("~$") else None)
    if known is not None:
        return known
    with open_log(path) as file:
        head = file.read(HEAD)
    if rig.log.format in ("text", *OTHER_LOGS):
        for beginning, what in BEGINNINGS.items():
            if head.startswith(beginning) and (len(head) == len(beginning) or not _as_text(head)):
                return what
    if rig.log.format == "text" and head and len(head) < HEAD and _is_note(head, rig):
        return "text without rows of numbers, and without the rig file's columns"
    return None


def _as_text(head: bytes) -> bool:
    """Whether bytes that begin as another file does are text all the same."""
    return b"\x00" not in head[:512] and head.isascii() and not head.startswith((b"%PDF-", b"{\\rtf"))


def _is_note(head: bytes, rig: RigConfig) -> bool:
    """Whether a whole small file has words, no row of numbers by any separator, and none of the columns."""
    codec = "utf-16" if head.startswith((b"\xff\xfe", b"\xfe\xff")) else rig.log.encoding
    text = head.decode(codec, "replace")
    columns = [column for column in needed_columns(rig).values() if isinstance(column, str)]
    if "\x00" in text or "\ufffd" in text or any(re.search(rf"(?<!\w){re.escape(c)}(?!\w)", text) for c in columns):
        return False
    lines = [line for line in text.splitlines() if line.strip()]
    rows = any(_may_be_row(line) for line in lines)
    return not rows and text.endswith(("\n", "\r")) and re.search(r"[^\W\d]{3}", text) is not None


def _may_be_row(line: str) -> bool:
    """Whether most cells of a line are numbers or times, whichever separator it has."""
    for separator in (",", ";", "\t", "|", None):
        cells = [cell.strip(" \t\"'") for cell in line.split(separator)]
        cells = [cell for cell in cells if cell]
        numbers = sum(_NUMBER.fullmatch(cell) is not None for cell in cells)
        if numbers >= LEAST_FIGURES and numbers >= MOST_OF_A_ROW * len(cells):
            return True
    return False
