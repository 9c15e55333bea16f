"""Positions of the needed columns of a text log, and the notation of its cells."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError, InputError, nearest
from benchpipe.readers.batch import TEXT_KEPT, needed_columns
from benchpipe.units import find_unit

LINE = re.compile(rb"[^\r\n]*(?:\r\r\n|\r\n|\n|\r|$)")
MARK = b"\xef\xbb\xbf"
HEADER_BYTES = 1 << 20
HEAD_LINES_KEPT = 200
FEW_LINES = 20
LEAST_SPARE, NOT_SPARE = 3, 2  # rows with a last separator, and without one, of the first few where all rows have it
LEAST_PLAIN = 5  # of the first few rows, to tell how cells are written
OF_ROWS = frozenset(b"0123456789eE+-.,;:/ \t\"TZnaifNAIF")  # bytes that rows of numbers and dates have
_QUOTED = re.compile(r'"[^"]*"')


@dataclass(frozen=True)
class TextLayout:
    """Cells of a row, and where the needed ones stand.

    Attributes
    ----------
    width : int
        Cells of a row.
    places : dict
        Cell of each thing that is needed: ``"date"``, ``"time"``, and the channels by name.
    head : tuple of (str, str)
        Lines that are no rows wherever they stand again (as Latin-1, so that every byte is kept),
        each with the reason to give.
    lacking : str, optional
        The header of this part of the log has no such column: none of its rows can be taken.
    ended, plain, rows : int
        Of the first few rows: those that end in a separator that the header lacks, those that do not, and all.
    blank : int
        Of those that do not: those whose last cell is empty.
    pointed : tuple of int
        Of the same, for each cell: those in which it has a decimal mark.
    """

    width: int
    places: dict[str, int]
    head: tuple[tuple[str, str], ...] = ()
    lacking: str | None = None
    ended: int = 0
    plain: int = 0
    rows: int = 0
    blank: int = 0
    pointed: tuple[int, ...] = ()

    @property
    def spare(self) -> bool:
        """Whether (nearly) all rows have one more, empty cell. In a single one it is a separator too many."""
        return self.ended >= LEAST_SPARE and self.plain <= NOT_SPARE

    @property
    def settled(self) -> bool:
        """Whether rows to come cannot change :attr:`spare` and :attr:`telling`."""
        return self.rows >= FEW_LINES or (self.plain > NOT_SPARE and not self.may_shift)

    @property
    def may_shift(self) -> bool:
        """Whether a row may be shifted into its last column without a cell too many: nothing is read from there."""
        return self.width - 1 not in self.places.values()

    @property
    def telling(self) -> tuple[int, ...]:
        """Cells that tell such a row: (nearly) all have a decimal mark, and the last column is empty elsewhere."""
        if not self.may_shift or self.plain < LEAST_PLAIN or self.blank < self.plain - NOT_SPARE:
            return ()
        return tuple(k for k in sorted(self.places.values()) if self.pointed[k] >= self.plain - NOT_SPARE)


def codec_of(rig: RigConfig) -> str:
    """Codec of the lines: UTF-16 and GBK logs are turned into UTF-8 before they are read."""
    return "utf-8" if rig.log.encoding in ("utf-16", "gbk") else rig.log.encoding


def split_cells(line: str, separator: str) -> list[str]:
    """Cells of a header or units row; a name in quotes may hold the separator, also where no number is quoted."""
    if separator != "space" and '"' in line and line.count('"') % 2 == 0:
        cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    else:
        cells = line.split() if separator == "space" else line.split(separator)
    return [cell.strip().strip('"').strip() for cell in cells]


def lines_of(data: bytes, start: int = 0) -> Iterator[tuple[int, int, bytes]]:
    """Start, end and content of each line of some text."""
    while start < len(data):
        match = LINE.match(data, start)
        if match is None or match.end() == start:
            return
        yield start, match.end(), match.group().rstrip(b"\r\n")
        start = match.end()


def find_layout(path: Path, head: bytes, rig: RigConfig, first_line: int = 1) -> tuple[TextLayout, int, int]:
    """Find the header in the beginning of a log.

    Returns
    -------
    layout : TextLayout
    line : int
        Line number of the first row.
    offset : int
        Its place in ``head``.

    Raises
    ------
    InputError
        No header, a column is missing or there twice, or a unit differs from the rig file's.
    """
    if not rig.log.header:
        return _by_number(path, head, rig), first_line, 0
    lines = lines_of(head[:HEADER_BYTES])
    seen: list[tuple[bytes, str]] = []
    reason = "header repeated"
    best: tuple[int, int, list[str]] = (-1, 0, [])
    wanted = _names(rig)
    for number, (_, end, content) in enumerate(lines, first_line):  # noqa: B007 (the last one's end is used)
        seen.append((content, reason))
        cells = split_cells(_text(content, rig), rig.log.separator)
        hits = sum(name in cells for name in wanted)
        if hits > best[0]:
            best = (hits, number, cells)
        if hits == len(wanted) and len(cells) >= _widest(rig):
            break
    else:
        raise _no_header(path, wanted, best)
    places = _places(f"{path}:{number}", cells, rig)
    if rig.log.units_row and (units := next(lines, None)) is not None:
        number, (_, end, content) = number + 1, units
        seen.append((content, reason))
        _check_units(f"{path}:{number}", rig, places, split_cells(_text(content, rig), rig.log.separator))
    layout = TextLayout(len(cells), places, _kept(seen[-HEAD_LINES_KEPT:]))
    return with_first_rows(layout, head[end:], rig), number + 1, end


def with_first_rows(layout: TextLayout, text: bytes, rig: RigConfig) -> TextLayout:
    """The layout with the last separators of its first rows counted on."""
    if layout.settled or rig.log.separator == "space":
        return layout
    rows = islice((row for _, _, row in lines_of(text) if row.strip()), FEW_LINES - layout.rows)
    lines = [_text(row, rig) for row in rows]
    cells = [(_QUOTED.sub("", line) if rig.log.quoted else line).split(rig.log.separator) for line in lines]
    ended = sum(len(row) == layout.width + 1 and not row[-1].strip() for row in cells)
    plain = [row for row in cells if len(row) == layout.width]
    pointed = layout.pointed or (0,) * layout.width
    return replace(
        layout,
        ended=layout.ended + ended,
        plain=layout.plain + len(plain),
        rows=layout.rows + len(cells),
        blank=layout.blank + sum(not row[-1].strip() for row in plain),
        pointed=tuple(old + sum(rig.log.decimal in row[k] for row in plain) for k, old in enumerate(pointed)),
    )


def only_begun(head: bytes, rig: RigConfig) -> bool:
    """Whether a log is so short that its header may not be written yet: a few lines of text, no row among them."""
    if not rig.log.header:
        return False
    lines = [content for _, _, content in islice(lines_of(head), FEW_LINES)]
    wanted = _names(rig)
    cells = [cell for content in lines for cell in split_cells(_text(content, rig), rig.log.separator)]
    a_row = any(content.lstrip(b" \t\"'+-.,;\x00")[:1].isdigit() for content in lines)
    return len(lines) < FEW_LINES and not a_row and not any(name in cells for name in wanted)


class Marker:
    """Text that is looked for by one of its bytes first: rows have none of it, and one byte is found ten times faster.

    Empty, it is nowhere.
    """

    def __init__(self, text: bytes) -> None:
        self._text = text
        self._byte = bytes([max(text, key=lambda byte: (byte not in OF_ROWS, byte))]) if text else b""
        self._before = text.find(self._byte)

    def find(self, data: bytes, start: int) -> int:
        """Place of the text from ``start`` on, or -1."""
        at = data.find(self._byte, start) if self._text else -1
        return at if at < 0 else data.find(self._text, max(at - self._before, start))


class HeaderFinder:
    """Finds headers in the middle of a log."""

    def __init__(self, path: Path, rig: RigConfig) -> None:
        self._path, self._rig = path, rig
        self._wanted = _names(rig) if rig.log.header else []
        telling = [name for name in self._wanted if re.search(r"[^0-9eE+\-., ]", name)]
        self._marker = Marker(max(telling, key=len, default="").encode(codec_of(rig), "replace"))

    def find(self, data: bytes, start: int, layout: TextLayout) -> tuple[int, TextLayout] | None:
        """Place of the first header from ``start`` on that changes the layout, and the layout from there."""
        at = self._marker.find(data, start)
        known = {line for line, _ in layout.head}
        plain = {line.encode("latin-1") for line in known}
        while at >= 0:
            fed = max(data.rfind(b"\n", start, at) + 1, start)
            start = max(data.rfind(b"\r", fed, at) + 1, fed)
            feed = data.find(b"\n", at)
            if data[start : max(feed, 0)].removesuffix(b"\r") in plain:  # as below, in a third of the time
                start, at = feed + 1, self._marker.find(data, feed + 1)
                continue
            _, end, content = next(lines_of(data, start))
            again = content.decode("latin-1") in known
            new = None if again else self._layout(content, data[end : end + 10_000])
            if new is not None and (new.width, new.places) != (layout.width, layout.places):
                return start, new
            start, at = end, self._marker.find(data, end)
        return None

    def _layout(self, content: bytes, after: bytes) -> TextLayout | None:
        """Layout that a line gives if it is a header; one without places if columns are lacking."""
        rig = self._rig
        cells = split_cells(_text(content, rig), rig.log.separator)
        lacking = [name for name in self._wanted if name not in cells]
        if len(lacking) + 1 >= len(self._wanted) and lacking:
            return None
        reason = "a header: other columns from here"
        known = [(content, reason)]
        units = [line for _, _, line in lines_of(after[:10_000])][:1] if rig.log.units_row else []
        known += [(line, reason) for line in units]
        if lacking:
            return TextLayout(0, {}, _kept(known), lacking[0])
        where = f"{self._path}, a header in the middle"
        places = _places(where, cells, rig)
        for line in units:
            _check_units(where, rig, places, split_cells(_text(line, rig), rig.log.separator))
        return TextLayout(len(cells), places, _kept(known))


def _kept(lines: list[tuple[bytes, str]]) -> tuple[tuple[str, str], ...]:
    return tuple((line.removeprefix(MARK).decode("latin-1"), why) for line, why in lines if line.strip())


def _text(line: bytes, rig: RigConfig) -> str:
    return line.removeprefix(MARK).decode(codec_of(rig), "replace")


def _names(rig: RigConfig) -> list[str]:
    """Columns that are needed by name."""
    return [column for column in needed_columns(rig).values() if isinstance(column, str)]


def _widest(rig: RigConfig) -> int:
    return max((column for column in needed_columns(rig).values() if isinstance(column, int)), default=0)


def _places(where: str, cells: list[str], rig: RigConfig) -> dict[str, int]:
    places = {}
    for key, column in needed_columns(rig).items():
        if isinstance(column, int):
            places[key] = column - 1
            continue
        if cells.count(column) > 1:
            raise InputError(
                f"the header names '{column}' {cells.count(column)} times",
                where=where,
                expected=f"one column '{column}'",
                got=_shown(cells),
                do_next=f"give the number of the column (from 1) that '{key}' is, instead of its name",
            )
        places[key] = cells.index(column)
    clocks = [key for key in ("date", "time") if key in places]
    for clock in clocks:
        if list(places.values()).count(places[clock]) > 1:
            raise InputError("the log's time and a channel stand in one column of it", where=where, got=str(places))
    return places


def _no_header(path: Path, wanted: list[str], best: tuple[int, int, list[str]]) -> InputError:
    hits, line, cells = best
    missing = [name for name in wanted if name not in cells]
    if hits <= 0 or not missing:
        return InputError(
            "no line of the log names the columns of the rig file",
            where=f"{path}:{line}",
            expected="a header with " + ", ".join(wanted),
            got=_shown(cells),
            do_next="check separator, encoding and the channels' columns in the rig file",
        )
    return InputError(
        f"the log has no column '{missing[0]}'",
        where=f"{path}:{line}",
        expected=nearest(missing[0], [c for c in cells if c]),
        got=_shown(cells),
        do_next="correct the channel's column in the rig file",
    )


def _shown(cells: list[str]) -> str:
    """Cells of a line, as much of them as an error has room for."""
    text = " | ".join("".join(c if c.isprintable() else "\ufffd" for c in cell) for cell in cells[:50])
    return text if len(text) <= TEXT_KEPT else text[: TEXT_KEPT - 1] + "…"


def _by_number(path: Path, head: bytes, rig: RigConfig) -> TextLayout:
    widths = [len(split_cells(_text(c, rig), rig.log.separator)) for _, _, c in lines_of(head[:10_000]) if c.strip()]
    places = _places(str(path), [], rig)
    fitting = [width for width in widths if width > max(places.values())]
    return TextLayout(fitting[0] if fitting else max(places.values()) + 1, places)


def _check_units(where: str, rig: RigConfig, places: dict[str, int], units: list[str]) -> None:
    """A units row that contradicts the rig file is an error, and so is a unit that cannot be read."""
    written = {channel.name: channel.unit_in_log for channel in rig.channel}
    declared = {channel.name: channel.unit for channel in rig.channel}
    if rig.time.kind == "elapsed" and rig.time.unit != "samples":
        declared["time"], written["time"] = rig.time.unit, rig.time.unit_in_log
    for name, place in places.items():
        if name not in declared or place >= len(units):
            continue
        text = units[place].strip("[]() ")
        if not text or text == written.get(name):
            continue
        try:
            seen = find_unit(text)
        except ConfigError:
            raise InputError(
                f"the units row gives '{units[place]}' for '{name}', which is no unit we know",
                where=where,
                expected=declared[name],
                got=units[place],
                do_next=f'if it means {declared[name]}, add unit_in_log = "{text}" to '
                f"{'[time]' if name == 'time' else 'the channel'}; "
                "if the letters look wrong, correct the log's encoding",
            ) from None
        if seen.text == "1":
            continue
        wanted = find_unit(declared[name])
        if (seen.quantity, seen.factor) != (wanted.quantity, wanted.factor):
            raise InputError(
                f"the units row gives '{units[place]}' for '{name}', the rig file '{declared[name]}'",
                where=where,
                expected=declared[name],
                got=units[place],
                do_next="correct the channel's unit in the rig file (or its scale, if the row is wrong)",
            )
