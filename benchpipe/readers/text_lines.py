"""A text log as stretches of whole lines: unpacked, cut at line ends, brought to one encoding.

Lines come out as UTF-8, or in the log's own one-byte encoding: what is read of them is ASCII.
"""

from __future__ import annotations

import codecs
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

from benchpipe.errors import InputError
from benchpipe.readers.text_state import TextState

BLOCK_BYTES = 4 << 20
LONGEST_LINE = 1 << 20
SHOWN = 1000  # bytes of a line that is too long
_GZIP = b"\x1f\x8b"
_MARKS = {"utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE, "utf-8": codecs.BOM_UTF8}
_LINE_FEED = {"utf-16-le": b"\n\x00", "utf-16-be": b"\x00\n"}


@dataclass(frozen=True)
class LineStretch:
    """Lines of a log, and the place in the log after them.

    Attributes
    ----------
    text : bytes
    end : int
        Bytes of the log up to the end of these lines (unpacked, where it is packed).
    whole : bool
        Whether every line is ended. A last line without an end is alone.
    too_long : bool
        One line that is longer than LONGEST_LINE, with its end: only its beginning is there.
    torn : bool
        The log is packed and its end is missing; there may be a beginning of a line.
    fed : bool or None
        Whether a line feed was seen up to here; False where lines were that end in a carriage return alone. Only
        then is one that ends the log no half of a longer line end.
    """

    text: bytes
    end: int
    whole: bool = True
    too_long: bool = False
    torn: bool = False
    fed: bool | None = None


@dataclass(frozen=True)
class OpenedText:
    """A text log that is being read. ``codec`` is its encoding with the byte order."""

    stretches: Iterator[LineStretch]
    codec: str
    packed: bool


def open_lines(path: Path, file: IO[bytes], encoding: str, state: TextState | None = None) -> OpenedText:
    """Open a log at its beginning, or where ``state`` says.

    Raises
    ------
    InputError
        The log is in another encoding than declared. While reading: the gzip stream is damaged.
    """
    if state is not None:
        return OpenedText(_opened(_chunks(file), state.codec, state.offset, state.fed), state.codec, packed=False)
    first = file.read(BLOCK_BYTES)
    packed = first.startswith(_GZIP)
    chunks: Iterator[bytes | None] = _unpacked(path, first, file) if packed else _chunks(file, first)
    first = next(chunks, None) or b""
    codec = _codec(path, first, encoding)
    mark = _MARKS.get(codec, b"")
    skip = len(mark) if mark and first.startswith(mark) else 0
    return OpenedText(_opened(_after(first[skip:], chunks), codec, skip), codec, packed)


def _chunks(file: IO[bytes], first: bytes = b"") -> Iterator[bytes]:
    if first:
        yield first
    while data := file.read(BLOCK_BYTES):
        yield data


def _after(first: bytes, chunks: Iterator[bytes | None]) -> Iterator[bytes | None]:
    yield first
    yield from chunks


def _unpacked(path: Path, packed: bytes, file: IO[bytes]) -> Iterator[bytes | None]:
    """Bytes of a gzip log, and None after them where the stream ends too early: it may still be written."""
    stream = zlib.decompressobj(wbits=31)
    text: list[bytes] = []
    while packed:
        try:
            text.append(stream.decompress(packed, BLOCK_BYTES))
        except zlib.error as error:
            raise InputError(
                f"the gzip stream is broken: {error}", where=path, do_next="copy the log again from the rig"
            ) from None
        if sum(map(len, text)) >= BLOCK_BYTES:
            yield b"".join(text)
            text = []
        packed = stream.unconsumed_tail
        if stream.eof:
            packed = (stream.unused_data or file.read(BLOCK_BYTES)).lstrip(b"\x00")
            if not packed:
                break
            stream = zlib.decompressobj(wbits=31)
        packed = packed or file.read(BLOCK_BYTES)
    yield b"".join(text)
    if not stream.eof:
        yield None


def _codec(path: Path, first: bytes, declared: str) -> str:
    """Encoding with its byte order, compared with the first bytes."""
    beginning = first[:400]
    seen = next((name for name, mark in _MARKS.items() if beginning.startswith(mark)), None)
    if seen is None and len(beginning) > 3:
        odd, even = beginning[1::2].count(0), beginning[0::2].count(0)
        if max(odd, even) > len(beginning) // 3 and min(odd, even) < len(beginning) // 8:
            seen = "utf-16-le" if odd > even else "utf-16-be"
    family = None if seen is None else seen[:6].rstrip("-")
    if family == "utf-8" and declared != "utf-8":
        raise _other(path, declared, "utf-8")
    if (family == "utf-16") != (declared == "utf-16") and first:
        raise _other(path, declared, family or "not utf-16")
    return seen if declared == "utf-16" and seen is not None else declared


def _other(path: Path, declared: str, seen: str) -> InputError:
    return InputError(
        f"the log is {seen}, the rig file says {declared}",
        where=path,
        expected=declared,
        got=f"bytes that are {seen}",
        do_next="correct encoding in the rig file's [log]",
    )


def _opened(chunks: Iterator[bytes | None], codec: str, offset: int, fed: bool | None = None) -> Iterator[LineStretch]:
    """Stretches as text; a line that is too long is alone wherever the chunks end."""
    for stretch in _stretches(chunks, codec, offset, fed):
        parts = _parted(stretch, codec) if stretch.whole and not stretch.too_long else (stretch,)
        for part in parts:
            yield replace(part, text=_as_text(part.text, codec))


def _parted(stretch: LineStretch, codec: str) -> Iterator[LineStretch]:
    """A stretch of whole lines, in pieces where one of them is too long."""
    raw, begun, at = stretch.text, 0, 0
    before = stretch.end - len(raw)
    while len(raw) - at > LONGEST_LINE:
        if cut := _end_before(raw, at, at + LONGEST_LINE, codec):
            at = cut
            continue
        end = _end_after(raw, at + LONGEST_LINE, codec)
        if at > begun:
            yield replace(stretch, text=raw[begun:at], end=before + at)
        yield replace(stretch, text=raw[at : at + SHOWN], end=before + end, too_long=True)
        begun = at = end
    if begun < len(raw):
        yield replace(stretch, text=raw[begun:]) if begun else stretch


def _end_before(raw: bytes, first: int, last: int, codec: str) -> int:
    """Place after the last line end that lies in ``raw[first:last]``; 0 where none does."""
    feed = _LINE_FEED.get(codec)
    if feed is None:
        return max(raw.rfind(b"\n", first, last), raw.rfind(b"\r", first, last - 1)) + 1
    at = raw.rfind(feed, first, last)
    while at >= 0 and at % 2:
        at = raw.rfind(feed, first, at + 1)
    return at + 2 if at >= 0 else 0


def _end_after(raw: bytes, first: int, codec: str) -> int:
    """Place after the first line end that does not lie before ``first``; the end of ``raw`` where none does."""
    feed = _LINE_FEED.get(codec)
    if feed is None:
        ends = [at for at in (raw.find(b"\n", first - 1), raw.find(b"\r", first - 1)) if at >= 0]
        end = min(ends, default=len(raw) - 1) + 1
        return end + (raw[end - 1 : end + 1] == b"\r\n")
    at = raw.find(feed, first - 1)
    while at >= 0 and at % 2:
        at = raw.find(feed, at + 1)
    return at + 2 if at >= 0 else len(raw)


def _stretches(
    chunks: Iterator[bytes | None], codec: str, offset: int, fed: bool | None = None
) -> Iterator[LineStretch]:
    """Stretches of the log's own bytes."""
    pending = b""
    for chunk in chunks:
        if chunk is None:
            yield LineStretch(pending, offset + len(pending), whole=False, torn=True)
            return
        if codec not in _LINE_FEED and (cut := chunk.rfind(b"\n") + 1):  # as below, with one copy instead of two
            fed = True
            offset += len(pending) + cut
            yield LineStretch(b"".join((pending, memoryview(chunk)[:cut])), offset, fed=fed)
            pending = chunk[cut:]
            continue
        pending += chunk
        cut = _last_end(pending, codec)
        fed = _fed(fed, pending, cut)
        if cut:
            offset += cut
            yield LineStretch(pending[:cut], offset, fed=fed)
            pending = pending[cut:]
        if len(pending) > LONGEST_LINE:
            beginning = pending[:SHOWN]
            while not (cut := _first_end(pending, codec)):
                chunk = next(chunks, None)
                if chunk is None:
                    yield LineStretch(beginning, offset + len(pending), whole=False)
                    return
                done = (len(pending) - 2) // 2 * 2  # letters of UTF-16 stay whole
                offset += done
                pending = pending[done:] + chunk
            offset += cut
            fed = _fed(fed, pending[:cut], cut)
            pending = pending[cut:]
            yield LineStretch(beginning, offset, too_long=True)
    while cut := _last_end(pending, codec):
        offset += cut
        fed = _fed(fed, pending, cut)
        yield LineStretch(pending[:cut], offset, fed=fed)
        pending = pending[cut:]
    if pending.endswith(b"\r") and fed is False:
        yield LineStretch(pending, offset + len(pending), fed=fed)
    elif pending:
        yield LineStretch(pending, offset + len(pending), whole=False)


def _fed(fed: bool | None, raw: bytes, cut: int) -> bool | None:
    """:attr:`Stretch.fed` after more bytes of which ``cut`` are whole lines."""
    if fed or b"\n" in raw:
        return True
    return False if cut else fed


def _last_end(raw: bytes, codec: str) -> int:
    """Place after the last line end that cannot be half of a longer one; 0 where there is none."""
    feed = _LINE_FEED.get(codec)
    if feed is None:
        return raw.rfind(b"\n") + 1 or raw.rstrip(b"\r").rfind(b"\r") + 1
    at = raw.rfind(feed)
    while at >= 0 and at % 2:
        at = raw.rfind(feed, 0, at + 1)
    return at + 2 if at >= 0 else 0


def _first_end(raw: bytes, codec: str) -> int:
    """Place after the first line end; 0 where there is none."""
    feed = _LINE_FEED.get(codec)
    if feed is None:
        return raw.find(b"\n") + 1 or _last_end(raw, codec)
    at = raw.find(feed)
    while at >= 0 and at % 2:
        at = raw.find(feed, at + 1)
    return at + 2 if at >= 0 else 0


def _as_text(raw: bytes, codec: str) -> bytes:
    if codec.startswith("utf-16") or (codec == "gbk" and not raw.isascii()):
        return raw.decode(codec, "replace").encode()
    return raw
