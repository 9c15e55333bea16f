"""Columns of words: number the few states of a column, or leave it out."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from benchpipe.inspect.cells import split_line
from benchpipe.inspect.findings import ChannelFinding, ColumnKey, Outline
from benchpipe.inspect.samples import cut_pieces, whole_lines
from benchpipe.readers.extras import readable
from benchpipe.readers.log_file import open_log
from benchpipe.readers.reader_process import call_apart

MOST_STATES = 8
LEAST_ROWS = 2  # of each state: a word that occurs once is a note
FREE = re.compile(r"^(free|unlock|open|off|released?|frei|offen|entriegel|entsperr|aus$|libre|ouvert)", re.IGNORECASE)
LOCKED = re.compile(r"^(lock|closed?|on$|engaged|verriegel|gesperrt|gekoppelt|zu$|ein$|bloqu|ferm)", re.IGNORECASE)


@dataclass(frozen=True)
class StatesFinding:
    """Columns of states as channels, and notes on columns of words that are left out."""

    channels: tuple[ChannelFinding, ...]
    notes: tuple[str, ...]


def find_states(logs: list[Path], outline: Outline, names: dict[ColumnKey, str]) -> StatesFinding:
    """Look at the columns of words of all logs of one dialect."""
    places = {column.key: k for k, column in enumerate(outline.columns) if column.kind == "word"}
    taken = {outline.dates.get("column"), outline.dates.get("date_column")}
    places = {key: place for key, place in places.items() if key not in taken}
    counts: dict[ColumnKey, Counter[str]] = {key: Counter() for key in places}
    for path in logs if places else ():
        words_of = _text_words if outline.format in ("text", "xlsx") else _table_words
        found = words_of(path, outline, places)
        for key, words in found.items():
            counts[key] += words
    channels, notes = [], []
    for key, words in counts.items():
        states = sorted(word for word, count in words.items() if count >= LEAST_ROWS)
        if 1 < len(states) <= MOST_STATES:
            channels.append(_channel(key, names[key], _numbered(states), words.total()))
            rare = sorted(word for word in words if word not in states)
            if rare:
                notes.append(f"rows whose '{_called(key)}' is {', '.join(rare[:3])} would not be taken: it occurs once")
        elif words:
            what = f"it holds {len(words):,} different texts" if len(words) > 1 else f"it says '{next(iter(words))}'"
            notes.append(f"the column '{_called(key)}' is not read: {what[:60]}")
    return StatesFinding(tuple(channels), tuple(notes))


def _called(key: ColumnKey) -> str:
    return str(key)


def _numbered(states: list[str]) -> tuple[tuple[str, int], ...]:
    """A number for each state: 0 for free and 1 for locked, where one word alone says so; the others as they come."""
    numbers: dict[str, int] = {}
    for pattern, number in ((FREE, 0), (LOCKED, 1)):
        named = [state for state in states if pattern.match(state) and state not in numbers]
        if len(named) == 1:
            numbers[named[0]] = number
    free = (n for n in range(len(states) + 2) if n not in numbers.values())
    for state in states:
        if state not in numbers:
            numbers[state] = next(free)
    return tuple(sorted(numbers.items(), key=lambda item: item[1]))


def _channel(key: ColumnKey, name: str, states: tuple[tuple[str, int], ...], rows: int) -> ChannelFinding:
    numbers = [number for _, number in states]
    return ChannelFinding(
        key=key, name=name, said="", unit="1", quantity="ratio", unit_from="", lowest=float(min(numbers)),
        highest=float(max(numbers)), resolution=1.0, missing=0, words=(), sentinels=(), stuck=None, saturated=(),
        distinct=len(states), whole_numbers=True, never_falls=False, states=states,
    )  # fmt: skip


def _text_words(path: Path, outline: Outline, places: dict[ColumnKey, int]) -> dict[ColumnKey, Counter[str]]:
    """Words of rows that are as wide as the header, of the beginning, the middle and the end of a log."""
    found: dict[ColumnKey, Counter[str]] = {key: Counter() for key in places}
    separator, quoted = outline.choices["separator"].values[0], bool(outline.log["quoted"])
    headings = {str(key) for key in places}
    for text in whole_lines(cut_pieces(path), outline.choices["encoding"].values[0]):
        for line in text.decode("utf-8", "replace").splitlines():
            cells = split_line(line, separator, quoted=quoted)
            if len(cells) != len(outline.columns):
                continue
            for key, place in places.items():
                if cells[place] and cells[place] not in headings:
                    found[key][cells[place]] += 1
    if outline.log["units_row"]:
        units = {column.key: column.unit for column in outline.columns}
        for key, words in found.items():
            words[units[key]] -= 1
            found[key] = +words
    return found


def _table_words(path: Path, outline: Outline, places: dict[ColumnKey, int]) -> dict[ColumnKey, Counter[str]]:
    """Words of the columns of a Parquet log; other formats have none that are read."""
    return call_apart(path, _parquet_words, path, list(places)) if outline.format == "parquet" else {}


def _parquet_words(path: Path, keys: list[ColumnKey]) -> dict[ColumnKey, Counter[str]]:
    found = {}
    with open_log(path) as file, readable(path, "a Parquet"):
        source: Any = pq.ParquetFile(file)
        for key in keys:
            if pa.types.is_string(source.schema_arrow.field(key).type):
                counted = pc.value_counts(pc.utf8_trim_whitespace(source.read([key]).column(0).drop_null()))
                found[key] = Counter({one["values"]: one["counts"] for one in counted.to_pylist()})
    return found
