"""Pieces of a text log: all of a small one, else its beginning, middle and end, in whole lines."""

from __future__ import annotations

import gzip
import zlib
from dataclasses import dataclass
from pathlib import Path

from benchpipe.errors import InputError
from benchpipe.inspect.encoding import python_codec, without_mark
from benchpipe.readers.log_file import open_log
from benchpipe.readers.workbook import sheet_text

PIECE_BYTES = 8 << 20
LEAST_PIECE_BYTES = 1 << 18


@dataclass(frozen=True)
class TextPieces:
    """Bytes of a log. ``whole``: nothing was left out; ``size``: bytes unpacked, where known."""

    pieces: tuple[bytes, ...]
    whole: bool
    size: int | None
    packed: bool


def cut_pieces(path: Path, piece_bytes: int = PIECE_BYTES) -> TextPieces:
    """Read pieces of a log of about ``piece_bytes`` each.

    Of a packed log only the beginning can be had without reading it all.

    Raises
    ------
    InputError
        It cannot be read, or the gzip stream is broken at its start.
    """
    with open_log(path) as file:
        mark = file.read(4)
        file.seek(0)
        if mark == b"PK\x03\x04":
            _, text = sheet_text(path, file)
            return TextPieces((text,), True, len(text), False)
        packed = mark[:2] == b"\x1f\x8b"
        if packed:
            return _unpacked(path, file, piece_bytes)
        size = path.stat().st_size
        if size <= 3 * piece_bytes:
            return TextPieces((file.read(),), True, size, False)
        cut = [file.read(piece_bytes)]
        for start, length in (((size - piece_bytes) // 8 * 4, piece_bytes), ((size - piece_bytes) // 4 * 4, -1)):
            file.seek(start)  # a multiple of 4: letters of UTF-16 stay whole
            cut.append(file.read(length))
    return TextPieces(tuple(cut), False, size, False)


def whole_lines(cut: TextPieces, encoding: str) -> tuple[bytes, ...]:
    """Pieces in UTF-8 without byte-order mark and without the lines that a cut broke in two."""
    codec = python_codec(encoding, cut.pieces[0])
    found = []
    for number, piece in enumerate(cut.pieces):
        text = without_mark(piece) if number == 0 else piece
        if codec != "utf-8":
            text = text.decode(codec, "replace").encode()
        if b"\n" not in text:  # lines end in a carriage return alone
            text = text.replace(b"\r", b"\n")
        if number:
            text = text[text.find(b"\n") + 1 :]
        if number < len(cut.pieces) - 1:
            text = text[: text.rfind(b"\n") + 1]
        found.append(text)
    return tuple(found)


def _unpacked(path: Path, file: object, piece_bytes: int) -> TextPieces:
    data = bytearray()
    try:
        with gzip.GzipFile(fileobj=file) as stream:  # type: ignore[call-overload]
            while len(data) <= 3 * piece_bytes and (part := stream.read1(1 << 20)):  # all there is before a cut
                data += part
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        if b"\n" not in data:
            raise InputError(f"the gzip stream is broken: {error}", where=path) from None
        return TextPieces((bytes(data),), False, None, True)
    if len(data) <= 3 * piece_bytes:
        return TextPieces((bytes(data),), True, len(data), True)
    return TextPieces((bytes(data[: 3 * piece_bytes]),), False, None, True)
