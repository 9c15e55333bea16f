"""Delimited text logs: preamble, header, units row, then rows.

The header is the first line that names every column of the rig file; the lines before it
are preamble. The rows are cut at line ends into blocks that are parsed on their own, in
parallel. A last line without a line end may be half-written: it is not taken, and a log that
has grown is read on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import IO, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.readers.batch import RawBatch, Reject
from benchpipe.readers.text_block import EMPTY, BlockParser, line_count
from benchpipe.readers.text_layout import (
    HeaderFinder,
    TextLayout,
    codec_of,
    find_layout,
    lines_of,
    only_begun,
    with_first_rows,
)
from benchpipe.readers.text_lines import LONGEST_LINE, LineStretch, OpenedText, open_lines
from benchpipe.readers.text_state import TextState
from benchpipe.stream.ordered import ordered_map

_NOTHING = b"\r\n\x00\x1a "
MOST_EMPTY = 64 << 20  # bytes of empty lines one after the other that a packed log may hold
Made = TypeVar("Made")


@dataclass(frozen=True)
class _TextBlock:
    """Lines of one layout; ``end`` is the place in the log after them, where it is known, ``fed`` as in Stretch.

    ``refused`` is the reject of one line that is too long, in place of the text.
    """

    parser: BlockParser
    layout: TextLayout
    line: int
    next_line: int
    text: bytes
    end: int | None
    fed: bool | None = None
    refused: RawBatch | None = None


def read_text(path: Path, file: IO[bytes], rig: RigConfig, state: TextState | None = None) -> Iterator[RawBatch]:
    """Read a text log.

    Parameters
    ----------
    path, file, rig
        As for every reader.
    state : TextState, optional
        ``RawBatch.state`` of the last batch that was taken from the log before it grew;
        ``file`` is at its ``offset``.

    Raises
    ------
    InputError
        The header is not there, a unit of the units row differs from the rig file,
        the encoding is not the declared one, or a gzip stream is broken.
    """
    for batch, _ in _read(None, path, file, rig, state):
        yield batch


def read_and_make(
    make: Callable[[RawBatch], Made], path: Path, file: IO[bytes], rig: RigConfig, state: TextState | None = None
) -> Iterator[tuple[RawBatch, Made]]:
    """Read a text log as :func:`read_text` does, and make something of each batch.

    It is made on the thread that has just read the batch, whose numbers are near by, and let go of at once: the
    batches come without them. Where the rows count the time, what is made waits for the rows before.
    """
    early = None if rig.time.kind == "sample" else make
    for batch, made in _read(early, path, file, rig, state):
        yield batch, make(batch) if made is None else made


def _read(
    make: Callable[[RawBatch], Made] | None, path: Path, file: IO[bytes], rig: RigConfig, state: TextState | None
) -> Iterator[tuple[RawBatch, Made | None]]:
    log = open_lines(path, file, rig.log.encoding, state)
    slots = 0 if state is None else state.slots
    for item, batch, count, made in ordered_map(partial(_parsed, make), _blocks(path, log, rig, state)):
        if isinstance(item, _TextBlock):
            if rig.time.kind == "sample":
                batch = replace(batch, time=batch.time + slots)
                slots += count
            if item.end is not None and not log.packed:
                layout_may_change = item.layout.ended or item.layout.may_shift
                final = item.layout.settled or not layout_may_change  # else more rows may change what these are
                left = TextState(log.codec, item.end, item.next_line, slots, item.fed, final, item.layout)
                batch = replace(batch, state=left)
            if item.layout.spare:
                batch = replace(batch, spare=True)
        yield batch, made


def _parsed(
    make: Callable[[RawBatch], Made] | None, item: _TextBlock | RawBatch
) -> tuple[_TextBlock | RawBatch, RawBatch, int, Made | None]:
    if isinstance(item, RawBatch):
        return item, item, 0, None
    batch, count = item.refused, 0
    if batch is None:
        batch, count = item.parser.parse(item.text, item.line, item.next_line - item.line)
    if make is None:
        return item, batch, count, None
    made = make(batch)
    return item, replace(batch, time=np.empty(0), channels={}), count, made  # their place in memory is used again


def _blocks(path: Path, log: OpenedText, rig: RigConfig, state: TextState | None) -> Iterator[_TextBlock | RawBatch]:
    """The rows of a log, in blocks of one layout each; lines that never were whole as rejects."""
    finder = HeaderFinder(path, rig)
    layout, line = (None, 1) if state is None else (state.layout, state.line)
    parser = None if layout is None else BlockParser(layout, rig)
    empty = 0
    for stretch in log.stretches:
        text, start = stretch.text, 0
        nothing = stretch.whole and not stretch.too_long and not text[:64].strip(_NOTHING) and not text.strip(_NOTHING)
        empty = empty + len(text) if nothing else 0
        if log.packed and empty > MOST_EMPTY:
            raise InputError(
                f"the packed log holds more than {empty >> 20} MB of empty lines from line {line:,} on", where=path,
                do_next="it is no log of a rig: remove it, or unpack it by hand and look at it",
            )  # fmt: skip
        if not stretch.whole or stretch.too_long:
            for batch in _not_whole(stretch, line, rig):
                if stretch.whole and layout is not None and parser is not None:
                    yield _TextBlock(parser, layout, line, line + 1, b"", stretch.end, stretch.fed, batch)
                else:
                    yield batch
            line += 1
            continue
        if nothing:  # each line parsed by itself, some MB of a packed log would take minutes
            before, line = line, line + line_count(text)
            if layout is not None and parser is not None:
                reject = Reject(before, line - before, EMPTY, next(lines_of(text))[2].decode("latin-1"))
                yield _TextBlock(parser, layout, before, line, b"", stretch.end, stretch.fed, _only([reject], rig))
            continue
        if layout is None or parser is None:
            if only_begun(text, rig):
                line += line_count(text)
                continue
            layout, line, start = find_layout(path, text, rig, line)
            parser = BlockParser(layout, rig)
        elif (counted := with_first_rows(layout, text, rig)) is not layout:
            layout, parser = counted, BlockParser(counted, rig)
        while (found := finder.find(text, start, layout)) is not None:
            at, new = found
            if at > start:
                before, line = line, line + line_count(text[start:at])
                yield _TextBlock(parser, layout, before, line, text[start:at], None)
                start = at
            layout = replace(new, ended=layout.ended, plain=layout.plain, rows=layout.rows)
            parser = BlockParser(layout, rig)
        if start < len(text):
            before, line = line, line + line_count(text[start:])
            yield _TextBlock(parser, layout, before, line, text[start:], stretch.end, stretch.fed)


def _not_whole(stretch: LineStretch, line: int, rig: RigConfig) -> Iterator[RawBatch]:
    """The reject of a line that is too long, or of what follows the last line end."""
    shown = stretch.text[:1000].decode(codec_of(rig), "replace").strip("\r\n\x00\x1a ")
    if stretch.too_long:
        reject = Reject(line, 1, f"a line longer than {LONGEST_LINE:,} bytes", shown)
    elif shown:
        ended = "the packed log has no end, and its last line none" if stretch.torn else "the last line has no line end"
        reject = Reject(line, 1, f"{ended}: it may be half-written", shown)
    elif stretch.torn:
        reject = Reject(line, 0, "the packed log has no end: it may be cut short, or still written")
    else:
        return
    yield _only([reject], rig, tail=not stretch.whole)


def _only(rejects: list[Reject], rig: RigConfig, *, tail: bool = False) -> RawBatch:
    """A batch without rows."""
    time: NDArray[Any] = np.empty(0, np.float64 if rig.time.kind == "elapsed" else np.int64)
    return RawBatch(np.empty(0, np.int64), time, {c.name: np.empty(0) for c in rig.channel}, rejects, tail=tail)
