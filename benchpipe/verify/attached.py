"""Files that a record carries, read from the document by this module alone.

The library that sets the documents writes each object in plain text and each attached file as one stream, deflated
where that makes it smaller (ISO 32000-1:2008, 7.3 and 7.11.4). A document that is laid out otherwise was not written by
this program.
"""

from __future__ import annotations

import re
import zlib

MOST_BYTES = 64_000_000  # of all attached files: a stream may be made to unfold to more than a memory holds
END = re.compile(rb"%%EOF[\r\n]*")
_FILE = re.compile(
    rb"/Type\s*/Filespec\s*/F\s*\(([A-Za-z0-9._-]+)\)\s*/UF\s*\(([A-Za-z0-9._-]+)\)\s*/EF\s*<<\s*/F (\d+) 0 R"
)
_STREAM = (
    rb"(?:^|[\r\n])%d 0 obj\s*<<\s*/Length (\d+)\s*/Type\s*/EmbeddedFile\s*(/Filter\s*/FlateDecode)?"
    rb"[^\r\n]*?>>\s*stream\r?\n"
)


class NoRecordError(ValueError):
    """A file is no record that this program wrote; the text says why."""


def attached_files(document: bytes) -> dict[str, bytes]:
    """Attached files by name.

    Raises
    ------
    NoRecordError
        It is no PDF, has no attached file, has two of one name, or one cannot be read.
    """
    if not document.startswith(b"%PDF-"):
        raise NoRecordError("it is no PDF")
    found: dict[str, bytes] = {}
    room = MOST_BYTES
    for one in _FILE.finditer(document):
        name = one[1].decode()
        if one[1] != one[2] or name in found:
            raise NoRecordError(f"it has two attached files '{name}'")
        found[name] = _unfolded(document, int(one[3]), name, room)
        room -= len(found[name])
    if not found:
        raise NoRecordError("it carries no file that a record carries")
    return found


def revisions(document: bytes) -> list[bytes]:
    """The document as it was after each time that it was written or added to, the oldest first."""
    return [document[: one.end()] for one in END.finditer(document)] or [document]


def _unfolded(document: bytes, number: int, name: str, room: int) -> bytes:
    heads = list(re.finditer(_STREAM % number, document))
    if len(heads) != 1:
        raise NoRecordError(f"the attached file '{name}' is {'there twice' if heads else 'missing'}")
    start, size = heads[0].end(), int(heads[0][1])
    if heads[0][2] is None and size <= room:
        return document[start : start + size]
    unfold = zlib.decompressobj()
    try:
        data = unfold.decompress(document[start : start + size], room)
    except zlib.error:
        raise NoRecordError(f"the attached file '{name}' is damaged") from None
    if not unfold.eof:
        raise NoRecordError(f"the attached file '{name}' is damaged, or too large")
    return data
