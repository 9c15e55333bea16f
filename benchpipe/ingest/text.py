"""Delimited text logs: preamble, header, units row, then rows.

The header is the first line that names every column of the rig file; what stands
before it is preamble. The rows are cut at line ends into blocks that are parsed on
their own, in parallel.
"""

from __future__ import annotations

import codecs
import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO

import numpy as np

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError, InputError, nearest
from benchpipe.ingest.batch import RawBatch, Reject, needed_columns
from benchpipe.ingest.text_block import TextLayout, count_lines, parse_block, split_cells
from benchpipe.stream.ordered import ordered_map
from benchpipe.units import find_unit

BLOCK_BYTES = 8 << 20
HEADER_BYTES = 1 << 20


@dataclass(frozen=True)
class _Block:
    """Whole lines of a log, the first being line ``line``."""

    line: int
    data: bytes


def read_text(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a text log.

    Raises
    ------
    InputError
        The header is not there, a unit of the units row differs from the rig file,
        the encoding is not the declared one, or a gzip stream is broken at its start.
    """
    chunks = _decoded(path, _unpacked(path, file), rig.log.encoding)
    head = b""
    for chunk in chunks:
        head += chunk
        if len(head) >= HEADER_BYTES:
            break
    if not head.strip():
        return
    layout, first_line, offset = _find_layout(path, head, rig)
    blocks = _blocks(chunks, head[offset:], first_line)
    for batch, rejects in ordered_map(partial(_parse, layout), blocks):
        yield RawBatch(batch.row, batch.time, batch.channels, batch.rejects + rejects)


def _parse(layout: TextLayout, item: _Block | Reject) -> tuple[RawBatch, list[Reject]]:
    if isinstance(item, Reject):
        return _EMPTY(layout), [item]
    return parse_block(item.data, item.line, layout), []


def _EMPTY(layout: TextLayout) -> RawBatch:
    time = np.empty(0, np.float64 if layout.time_format is None else np.int64)
    return RawBatch(np.empty(0, np.int64), time, {name: np.empty(0) for name in layout.channels})


def _unpacked(path: Path, file: IO[bytes]) -> Iterator[bytes]:
    """Bytes of the log, unpacked if it is gzip."""
    packed = file.read(2) == b"\x1f\x8b"
    file.seek(0)
    source: IO[bytes] = gzip.GzipFile(fileobj=file) if packed else file  # type: ignore[assignment]
    try:
        while data := source.read(BLOCK_BYTES):
            yield data
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise InputError(
            f"the gzip stream is broken: {error}",
            where=path,
            do_next="copy the log again from the rig; if it is still being written, wait for the rig to close it",
        ) from None


def _decoded(path: Path, chunks: Iterator[bytes], encoding: str) -> Iterator[bytes]:
    """Bytes in UTF-8. Single-byte encodings and UTF-8 pass as they are: rows are ASCII."""
    first = True
    if encoding in ("utf-8", "latin-1", "cp1252", "gbk"):
        for chunk in chunks:
            if first and encoding != "utf-8" and chunk.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                raise _wrong_encoding(path, encoding, "utf-16")
            if first and encoding == "utf-8":
                if chunk.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                    raise _wrong_encoding(path, encoding, "utf-16")
                chunk = chunk.removeprefix(codecs.BOM_UTF8)
            first = False
            yield chunk
        return
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    for chunk in chunks:
        yield decoder.decode(chunk).encode()
    yield decoder.decode(b"", final=True).encode()


def _wrong_encoding(path: Path, declared: str, seen: str) -> InputError:
    return InputError(
        f"the log is {seen}, the rig file says {declared}",
        where=path,
        expected=declared,
        got=f"a {seen} byte-order mark",
        do_next=f"set encoding = \"{seen}\" in the rig file's [log]",
    )


def _find_layout(path: Path, head: bytes, rig: RigConfig) -> tuple[TextLayout, int, int]:
    """Find the header; return the layout, the first row's line and its byte offset."""
    log = rig.log
    needed = needed_columns(rig)
    if not log.header:
        return TextLayout.of(rig, _first_row_width(head, rig), dict(_numbers(path, needed))), 1, 0
    codec = "utf-8" if log.encoding == "utf-16" else log.encoding
    offset, line = 0, 0
    best: tuple[int, int, list[str]] = (0, 0, [])
    wanted = [str(c) for c in needed.values()]
    while offset < len(head):
        end = head.find(b"\n", offset)
        end = len(head) if end < 0 else end
        line += 1
        cells = split_cells(head[offset:end].decode(codec, "replace").rstrip("\r"), log.separator)
        offset = end + 1
        hits = sum(name in cells for name in wanted)
        if hits > best[0]:
            best = (hits, line, cells)
        if hits == len(wanted):
            break
    else:
        raise _no_header(path, wanted, best)
    places = {key: cells.index(str(column)) for key, column in needed.items()}
    if log.units_row:
        end = head.find(b"\n", offset)
        end = len(head) if end < 0 else end
        units = split_cells(head[offset:end].decode(codec, "replace").rstrip("\r"), log.separator)
        line += 1
        _check_units(path, line, rig, places, units)
        offset = end + 1
    return TextLayout.of(rig, len(cells), places, header=tuple(cells)), line + 1, min(offset, len(head))


def _no_header(path: Path, wanted: list[str], best: tuple[int, int, list[str]]) -> InputError:
    hits, line, cells = best
    missing = [name for name in wanted if name not in cells]
    if hits == 0:
        return InputError(
            "no line of the log names the columns of the rig file",
            where=path,
            expected="a header with " + ", ".join(wanted),
            do_next="check separator, encoding and the channels' columns in the rig file",
        )
    return InputError(
        f"the log has no column '{missing[0]}'",
        where=f"{path}:{line}",
        expected=nearest(missing[0], [c for c in cells if c]),
        do_next="correct the channel's column in the rig file",
    )


def _numbers(path: Path, needed: dict[str, str | int]) -> Iterator[tuple[str, int]]:
    for key, column in needed.items():
        if not isinstance(column, int) or column < 1:
            raise InputError(
                f"the rig file says the log has no header, so '{key}' needs a column number from 1",
                where=path,
                got=repr(column),
            )
        yield key, column - 1


def _first_row_width(head: bytes, rig: RigConfig) -> int:
    line = head.split(b"\n", 1)[0].decode("utf-8", "replace").rstrip("\r")
    return len(split_cells(line, rig.log.separator))


def _check_units(path: Path, line: int, rig: RigConfig, places: dict[str, int], units: list[str]) -> None:
    """A units row that contradicts the rig file is an error; one we cannot read is not."""
    declared = {channel.name: channel.unit for channel in rig.channel}
    if rig.time.kind == "elapsed":
        declared["time"] = rig.time.unit
    for name, place in places.items():
        if name not in declared or place >= len(units):
            continue
        try:
            seen = find_unit(units[place].strip("[]() "))
        except ConfigError:
            continue
        if seen.text == "1":
            continue
        wanted = find_unit(declared[name])
        if (seen.quantity, seen.factor) != (wanted.quantity, wanted.factor):
            raise InputError(
                f"the units row gives '{units[place]}' for '{name}', the rig file '{declared[name]}'",
                where=f"{path}:{line}",
                expected=declared[name],
                got=units[place],
                do_next="correct the channel's unit in the rig file (or its scale, if the row is wrong)",
            )


def _blocks(chunks: Iterator[bytes], rest: bytes, line: int) -> Iterator[_Block | Reject]:
    """Cut at line ends. A last line that does not end may be half-written: it is not taken."""
    for chunk in _chain(rest, chunks):
        cut = chunk.rfind(b"\n") + 1
        if cut:
            yield _Block(line, chunk[:cut])
            line += count_lines(chunk[:cut])
        rest = chunk[cut:]
    if rest.strip(b"\r\n\x00\x1a "):
        reason = "the last line has no line end: it may be half-written"
        yield Reject(line, 1, reason, rest.decode("utf-8", "replace"))


def _chain(rest: bytes, chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Chunks, each with what the one before left over after its last line end."""
    pending = rest
    for chunk in chunks:
        yield pending
        cut = pending.rfind(b"\n") + 1
        pending = pending[cut:] + chunk
    yield pending
