"""Files among the logs that are no logs: office files, pictures, leftovers of a file browser, notes, lists of events.

Known by their first bytes or their name. A file that may be a log, damaged or written otherwise than the rig file says,
is none of them: that is an error, since rows would be missing without notice.
"""

from __future__ import annotations

import re
from pathlib import Path

from benchpipe.config.rig import RigConfig
from benchpipe.inspect.dates import is_date
from benchpipe.readers.batch import needed_columns
from benchpipe.readers.log_file import open_log

HEAD = 1 << 16  # bytes that are looked at
MOST_OF_A_ROW = 0.6  # of its cells are numbers or times in a row
LEAST_BYTES, LEAST_LETTERS = 64, 0.7  # letters, digits and blanks of plain text, of the bytes that are not zero
_NUMBER = re.compile(r"[-+\u2212]?[\d.,'\u00a0 ]*\d[\d.,]*(?:[eE][-+]?\d+)?|[Nn][Aa][Nn]")
_TIME = re.compile(r"[\d.,:/\-+ TZ]*\d[\d.,:/\-+ TZ]*")
_PLAIN = bytes((*range(32, 127), 9, 10, 13))
BEGINS = {
    "parquet": (b"PAR1",), "mdf": (b"MDF     ", b"UnFinMF "), "xlsx": (b"PK\x03\x04",),
    "hdf5": (b"\x89HDF\r\n\x1a\n", b"MATLAB 7.3"),
}  # fmt: skip
GZIP = b"\x1f\x8b"
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
    if not head.strip(b"\x00"):  # empty, or room that was never written to
        return None
    begins = BEGINS.get(rig.log.format)
    if begins is not None:
        places = range(0, len(head), 512) if rig.log.format == "hdf5" else (0,)
        known_as = any(head.startswith(begins, place) for place in places)
        return None if known_as else f"a file of another format than {rig.log.format}"
    if rig.log.format in ("matlab", "arrow") and _as_text(head) and not head.startswith(b"MATLAB"):
        return "a file of text"
    if rig.log.format == "text" and not head.startswith(GZIP):
        if _is_binary(head):
            return "a file of bytes that are no text"
        if _is_note(head, rig):
            return "text without rows of numbers as the rig file has them, and without its columns"
    return None


def _is_binary(head: bytes) -> bool:
    """Whether few of the bytes are letters, digits and blanks, and it is no UTF-8; zeros may be damage, or UTF-16."""
    written = head.replace(b"\x00", b"")
    if len(written) < LEAST_BYTES or len(written.translate(None, _PLAIN)) <= (1.0 - LEAST_LETTERS) * len(written):
        return False
    try:
        head[: len(head) - len(head) % 4 - 4].decode("utf-8", "strict")
    except UnicodeDecodeError as error:
        return error.start < len(head) - 8
    return False


def _as_text(head: bytes) -> bool:
    """Whether bytes that begin as another file does are text all the same."""
    return b"\x00" not in head[:512] and head.isascii() and not head.startswith((b"%PDF-", b"{\\rtf"))


def _is_note(head: bytes, rig: RigConfig) -> bool:
    """Whether the beginning of a file has words, no row as long as the rig file's, and few of its columns."""
    codec = "utf-16" if head.startswith((b"\xff\xfe", b"\xfe\xff")) else rig.log.encoding
    text = head.decode(codec, "ignore" if len(head) == HEAD else "replace")
    if "\x00" in text or "\ufffd" in text or (not text.endswith(("\n", "\r")) and len(head) < HEAD):
        return False
    columns = {column for column in needed_columns(rig).values() if isinstance(column, str)}
    named = sum(re.search(rf"(?<!\w){re.escape(column)}(?!\w)", text) is not None for column in columns)
    if columns and 2 * named >= len(columns):
        return False
    numbers = len({c.column for c in rig.channel if not c.map})
    lines = [line for line in text.splitlines() if line.strip()]
    return not any(_may_be_row(line, numbers, timed=rig.time.kind != "sample") for line in lines)


def _may_be_row(line: str, numbers: int, *, timed: bool) -> bool:
    """Whether a line has so many numbers, and a time, and little else, whichever separator it has."""
    for separator in (",", ";", "\t", "|", None):
        cells = [cell.strip(" \t\"'") for cell in line.split(separator)]
        cells = [cell for cell in cells if cell]
        dates = [cell for cell in cells if is_date(cell)]
        plain = [cell for cell in cells if cell not in dates and _NUMBER.fullmatch(cell)]
        rest = [cell for cell in cells if cell not in dates and cell not in plain]
        times = len(dates) + sum(_TIME.fullmatch(cell) is not None for cell in rest)
        if len(plain) >= numbers and len(plain) + times >= max(numbers + timed, MOST_OF_A_ROW * len(cells)):
            return True
    return False
