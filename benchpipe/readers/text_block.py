"""Parse blocks of text rows: every line once, as a row of numbers or as a reject with its reason."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.config.rig import RigConfig, TimeConfig
from benchpipe.readers import text_cells as cells
from benchpipe.readers import text_scan as scan
from benchpipe.readers.batch import RawBatch, Reject, is_number, missing_texts
from benchpipe.readers.byte_words import CLOCK, DATE, SKIP, marks_for
from benchpipe.readers.month_names import numbered_names
from benchpipe.readers.text_layout import MARK, TextLayout, codec_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

EMPTY = "empty line"
_PARTS = {
    "%Y": [cells.YEAR], "%m": [cells.MONTH], "%d": [cells.DAY], "%H": [cells.HOUR], "%M": [cells.MINUTE],
    "%S": [cells.SECOND], "%f": [cells.FRACTION],
}  # fmt: skip
_PARTS["%T"] = [cells.HOUR, ord(":"), cells.MINUTE, ord(":"), cells.SECOND]
_PARTS["%F"] = [cells.YEAR, ord("-"), cells.MONTH, ord("-"), cells.DAY]


class BlockParser:
    """Parses blocks of one layout. It keeps nothing from one block to the next."""

    def __init__(self, layout: TextLayout, rig: RigConfig) -> None:
        self._layout = layout
        self._dated = rig.time.kind == "datetime"
        self._timed = rig.time.kind == "elapsed"
        self._time = rig.time
        self._codec = codec_of(rig)
        self._channels = [channel.name for channel in rig.channel]
        self._head = {line.encode("latin-1"): why for line, why in layout.head}
        first = {place: name for name, place in reversed(layout.places.items())}
        named = [name for name in layout.places if not (self._dated and name in ("date", "time"))]
        self._names = [name for name in named if first[layout.places[name]] == name]
        self._twins = {name: first[layout.places[name]] for name in named if name not in self._names}
        self._places = np.full(layout.width, SKIP, np.int64)
        for place, name in first.items():
            self._places[place] = self._names.index(name) if name in self._names else CLOCK
        if "date" in layout.places:
            self._places[layout.places["date"]] = DATE
        log = rig.log
        thousands = ord(log.thousands) if log.thousands else 0
        self._marks = (ord(log.separator_text), ord(log.decimal), thousands, log.quoted)
        form = rig.time.format or "" if self._dated else ""
        self._tokens, self._split = _date_tokens(form, two_cells="date" in layout.places)
        self._telling = () if log.quoted or log.separator == "space" else layout.telling
        self._words = _known_words(rig, self._names, self._twins, self._codec)

    def parse(self, data: bytes, first_line: int, lines: int) -> tuple[RawBatch, int]:
        """Parse whole lines, so many as :func:`line_count` says, the first of them being line ``first_line``.

        Returns
        -------
        batch : RawBatch
            Every line once. For logs without a clock ``time`` counts from 0 in this block.
        slots : int
            How far it counts: empty lines and headers take no place in time.
        """
        if self._layout.lacking is not None:
            return self._nothing(data, first_line, lines), 0
        raw = np.frombuffer(data, np.uint8)
        values = np.empty((len(self._names), lines))
        stamps = np.empty(lines if self._dated else 0, np.int64)
        hard = np.zeros((len(self._names) + 1, lines), np.uint8)
        bounds = np.empty((2, lines), np.int64)
        state, detail = np.zeros(lines, np.uint8), np.zeros(lines, np.int32)
        not_taken, hard_cells = scan.scan_lines(
            raw, self._places, self._timed, *self._marks, self._layout.spare, self._tokens, self._split, *self._words,
            values, stamps, hard, bounds[0], bounds[1], state, detail, *marks_for(self._places.size),
        )  # fmt: skip
        if hard_cells:
            not_taken += self._read_hard(raw, bounds[0], hard, values, stamps, state)
        if self._telling and scan.digit_ends(raw):
            not_taken += self._shifted(data, bounds, state)
        slots, count = _NONE, lines
        if not not_taken:
            row, rejects = np.arange(first_line, first_line + lines), list[Reject]()
            if not (self._dated or self._timed):
                slots = np.arange(lines)
        else:
            rejects, no_slot = self._rejects(data, bounds, state, detail, first_line)
            good = state == scan.TAKEN
            row = first_line + np.flatnonzero(good)
            slots, count = (np.cumsum(~no_slot) - 1)[good], int((~no_slot).sum())
            stamps, values = stamps[good] if self._dated else stamps, values[:, good]
        channels = {name: values[i] for i, name in enumerate(self._names) if name != "time"}
        channels |= {name: channels[first] for name, first in self._twins.items()}
        time: NDArray[Any] = stamps if self._dated else values[0] if self._timed else slots
        return RawBatch(row, time, channels, rejects), count

    def _shifted(self, data: bytes, bounds: NDArray[Any], state: NDArray[Any]) -> int:
        """Refuse rows that are shifted into a last column which is empty elsewhere: how many were taken before.

        Such a row has a number there, and a cell without the decimal mark that it has elsewhere: a decimal comma, or
        a separator too many. A number that a person wrote there goes with cells that are as ever.
        """
        found = np.empty((3, state.size), np.int64)
        separator, decimal = chr(self._marks[0]), chr(self._marks[1])
        not_taken = 0
        for line, start, end in found[:, : scan.find_digit_ends(np.frombuffer(data, np.uint8), *found)].T.tolist():
            cells = data[start:end].decode("latin-1").split(separator)
            whole = any(decimal not in cells[k] and cells[k].strip() for k in self._telling if k < len(cells))
            if state[line] == scan.TAKEN and len(cells) == self._layout.width and whole and is_number(cells[-1]):
                state[line], bounds[:, line] = scan.SHIFTED, (start, end)
                not_taken += 1
        return not_taken

    def _nothing(self, data: bytes, first_line: int, lines: int) -> RawBatch:
        """No row of a part without a needed column."""
        first = data[:200].splitlines()[0].decode(self._codec, "replace") if lines else ""
        why = f"this part of the log has no column '{self._layout.lacking}'"
        empty = {name: np.empty(0) for name in self._channels}
        time: NDArray[Any] = np.empty(0, np.float64 if self._timed else np.int64)
        return RawBatch(np.empty(0, np.int64), time, empty, [Reject(first_line, lines, why, first)] if lines else [])

    def _read_hard(
        self, raw: NDArray[Any], starts: NDArray[Any], hard: NDArray[Any], values: NDArray[Any],
        stamps: NDArray[Any], state: NDArray[Any],
    ) -> int:  # fmt: skip
        """Let a library read what the kernels leave: long numbers, and other ways to write a date."""
        not_taken = 0
        for i, marks in enumerate(hard):
            which = (marks != 0) & (state == scan.TAKEN)
            if not which.any():
                continue
            of_date = i == len(self._names)
            texts = self._gather(raw, starts, which, CLOCK if of_date else i)
            if of_date and "date" in self._layout.places:
                texts = pc.binary_join_element_wise(self._gather(raw, starts, which, DATE), texts, " ")
            if of_date:
                stamps[which], bad = _read_stamps(texts, self._time)
            else:
                numbers = np.asarray(pc.cast(texts, pa.float64()))
                bad = ~np.isfinite(numbers)
                values[i, which] = np.where(bad, np.nan, numbers)
            if of_date or (self._timed and i == 0):
                state[np.flatnonzero(which)[bad]] = scan.TIME
                not_taken += int(bad.sum())
        return not_taken

    def _gather(self, raw: NDArray[Any], starts: NDArray[Any], which: NDArray[Any], wanted: int) -> pa.StringArray:
        out = np.empty(raw.size, np.uint8)
        bounds = np.empty(int(which.sum()) + 1, np.int32)
        used = scan.gather_cells(raw, starts, which, self._places, wanted, *self._marks, out, bounds)
        ascii_only = np.where(out[:used] < 128, out[:used], ord("?")).astype(np.uint8)  # broken bytes are no text
        return pa.StringArray.from_buffers(bounds.size - 1, pa.py_buffer(bounds), pa.py_buffer(ascii_only))

    def _rejects(
        self, data: bytes, bounds: NDArray[Any], state: NDArray[Any], detail: NDArray[Any], first_line: int
    ) -> tuple[list[Reject], NDArray[np.bool_]]:
        """Rejects of a block, neighbours of one reason together; and which lines take no place in time."""
        bad = np.flatnonzero(state != scan.TAKEN)
        headed = self._headed(data, bounds, bad)
        no_slot = state == scan.BLANK
        no_slot[list(headed)] = True
        kind = detail[bad].astype(np.int64) * 8 + state[bad]
        kind[np.searchsorted(bad, list(headed))] = -1
        last = (np.diff(bad, append=-1) != 1) | (np.diff(kind, append=-2) != 0)
        ends = np.flatnonzero(last) + 1
        starts = np.concatenate(([0], ends[:-1])) if ends.size else ends
        lines, kinds, counts = bad[starts], kind[starts].tolist(), (ends - starts).tolist()
        whys = {code: self._reason(code % 8, code // 8) for code in set(kinds) if code >= 0}
        rejects = []
        for line, code, count, begin, end in zip(
            lines.tolist(), kinds, counts, bounds[0, lines].tolist(), bounds[1, lines].tolist(), strict=True
        ):
            text = data[begin : min(end, begin + 500)].decode(self._codec, "replace")
            rejects.append(Reject(first_line + line, count, whys[code] if code >= 0 else headed[line], text))
        return rejects, no_slot

    def _headed(self, data: bytes, bounds: NDArray[Any], bad: NDArray[Any]) -> dict[int, str]:
        """Lines that are a header again, and the reason to give."""
        longest = max(map(len, self._head), default=0) + len(MARK)
        likely = bad[bounds[1, bad] - bounds[0, bad] <= longest] if self._head else bad[:0]
        first = np.frombuffer(data, np.uint8)[bounds[0, likely]]
        likely = likely[np.isin(first, [MARK[0], *(line[0] for line in self._head if line)])]
        found = {}
        for line in likely.tolist():
            content = data[bounds[0, line] : bounds[1, line]].removeprefix(MARK)
            if content in self._head:
                found[line] = self._head[content]
        return found

    def _reason(self, state: int, detail: int) -> str:
        if state == scan.BLANK:
            return EMPTY
        if state == scan.WIDTH:
            return f"{detail} cells instead of {self._layout.width}"
        if state == scan.SHIFTED:
            return "shifted: a number in the last column, empty elsewhere, and a cell without its decimals"
        if state == scan.OPEN_QUOTE:
            return "a quote that is not closed"
        if state == scan.TIME or self._names[detail] == "time":
            return "no time that can be read"
        return f"no number in the column of '{self._names[detail]}'"


def line_count(data: bytes) -> int:
    """Lines of a text of whole lines."""
    return int(scan.count_lines(np.frombuffer(data, np.uint8)))


_NONE = np.empty(0, np.int64)


def _date_tokens(form: str, *, two_cells: bool) -> tuple[NDArray[np.int64], int]:
    """Date format as tokens, and where those of the second cell begin; none where the kernels cannot read it."""
    tokens: list[int] = []
    split = 0
    i = 0
    while i < len(form):
        part = form[i : i + 2]
        if part.startswith("%"):
            if part not in _PARTS:
                return _NONE, 0
            tokens += _PARTS[part]
            i += 2
        elif ord(form[i]) > 126:
            return _NONE, 0
        else:
            if form[i] == " " and two_cells and not split:
                split = len(tokens)
            else:
                tokens.append(ord(form[i]))
            i += 1
    return np.array(tokens, np.int64), split


def _read_stamps(texts: pa.StringArray, time: TimeConfig) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Texts → µs since 1970-01-01 (since midnight where the format has no day), and which are none."""
    import polars as pl

    series, form = pl.Series(pl.from_arrow(texts)), time.format or ""
    if ",%f" in form:  # the library knows fractions after a point only
        form, series = form.replace(",%f", ".%f"), series.str.replace_all(",", ".", literal=True)
    form = form.replace(".%f", "%.f")
    if "%b" in form:
        series = series.str.replace_many(*numbered_names(), ascii_case_insensitive=True, leftmost=True)
        form = form.replace("%b", "%m")
    if time.dated:
        stamps = series.str.to_datetime(form, time_unit="us", strict=False).cast(pl.Int64)
    else:
        stamps = series.str.to_time(form, strict=False).cast(pl.Int64) // 1000
    return stamps.fill_null(0).to_numpy(), stamps.is_null().to_numpy()


def _known_words(
    rig: RigConfig, names: list[str], twins: dict[str, str], codec: str
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Texts in place of numbers: their bytes, bounds, the row of the values each is for, and its number (or NaN)."""
    maps = {channel.name: channel.map for channel in rig.channel}
    rows = {**{name: i for i, name in enumerate(names)}, **{twin: names.index(name) for twin, name in twins.items()}}
    found = [
        (text.encode(codec, "replace"), i, number)
        for name, i in rows.items()
        for text, number in [*maps.get(name, ()), *((text, np.nan) for text in _texts(rig, name))]
    ]
    bounds = np.cumsum([0, *(len(text) for text, _, _ in found)])
    whole = np.frombuffer(b"".join(text for text, _, _ in found), np.uint8)
    places, numbers = (np.array([one[k] for one in found], kind) for k, kind in ((1, np.int64), (2, np.float64)))
    return whole, bounds, places, numbers


def _texts(rig: RigConfig, name: str) -> Iterator[str]:
    return (text.strip() for text in missing_texts(rig, name) if not is_number(text))
