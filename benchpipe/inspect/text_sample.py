"""A sample of a text log's rows, through the reader that will ingest them."""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.inspect.cells import NumberForm
from benchpipe.inspect.dialect import DialectFinding, find_dialect
from benchpipe.inspect.findings import ColumnKey, LogPiece, LogSample, Outline
from benchpipe.inspect.heading import find_heading
from benchpipe.inspect.samples import cut_pieces, whole_lines
from benchpipe.inspect.text_outline import OUTLINE_BYTES
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.registry import find_reader

# Texts that stand for "no value" even where it is alone
NO_VALUE = frozenset((
    "OVER", "OVL", "OL", "OVERFLOW", "UNDER", "NAN", "N/A", "#N/A", "NA", "NULL", "NONE", "ERR", "ERROR", "INVALID",
    ".", "-", "--", "---", "*", "**", "***", "?",
))  # fmt: skip


def sample_text(path: Path, outline: Outline, piece_bytes: int) -> LogSample:
    """Rows of a text log, read by the text reader with what the outline says."""
    cut = cut_pieces(path, piece_bytes)
    encoding = outline.choices["encoding"].values[0]
    separator = outline.choices["separator"].values[0]
    texts = whole_lines(cut, encoding)
    lines = [text[:OUTLINE_BYTES].decode("utf-8", "replace").splitlines() for text in texts]
    dialect = find_dialect([line for piece in lines for line in piece])
    first = find_heading(lines[0], dialect).first_row
    mark = " " if separator == "space" else separator
    names = mark.join(f"c{k}" for k in range(len(outline.columns))).encode() + b"\n"
    bodies = [names + _after_lines(texts[0], first - 1), *(names + text for text in texts[1:])]
    words: dict[ColumnKey, tuple[str, ...]] = {}
    pieces, rejects = _read(path, bodies, outline, words)
    words = _words(bodies, rejects, outline, dialect)
    if words:
        pieces, rejects = _read(path, bodies, outline, words)
    shifted = [LogPiece(p.row + (first - 2 if n == 0 else 0), p.stamps, p.values) for n, p in enumerate(pieces)]
    reasons: Counter[str] = Counter()
    for _, count, reason in (item for piece in rejects for item in piece):
        reasons[reason] += count
    rows = sum(len(p.row) for p in pieces) + sum(reasons.values()) if cut.whole else None
    return LogSample(tuple(shifted), cut.whole, rows, tuple(reasons.most_common()), words)


def _after_lines(text: bytes, lines: int) -> bytes:
    """A text without its first lines."""
    at = 0
    for _ in range(lines):
        at = text.find(b"\n", at) + 1
    return text[at:]


def _rig(outline: Outline, words: dict[ColumnKey, tuple[str, ...]]) -> RigConfig:
    """A rig that reads every column of numbers as it is; units do not matter to a reader."""
    places = [k for k, column in enumerate(outline.columns) if column.kind == "number"]
    if not places:
        raise InputError("the log has no column of numbers")
    units = ["N", *["mm", *["1"] * (len(places) - 2)][: len(places) - 1]]
    keys = [column.key for column in outline.columns]
    form: NumberForm = outline.choices["numbers"].values[0]
    time: dict[str, Any] = {"kind": "sample", "sample_rate": "1 Hz"}
    if outline.dates:
        time = {"sample_rate": "1 Hz", "format": outline.choices["date"].values[0], "kind": "datetime"}
        time |= {k: f"c{keys.index(outline.dates[k])}" for k in ("column", "date_column") if k in outline.dates}
    return RigConfig.model_validate({
        "name": "inspect",
        "log": {
            "separator": outline.choices["separator"].values[0], "decimal": form.decimal, "thousands": form.thousands,
            "quoted": outline.log["quoted"],
        },
        "time": time,
        "channel": [
            {"name": f"c{k}", "column": f"c{k}", "unit": unit, "missing": list(words.get(keys[k], ()))}
            for k, unit in zip(places, units, strict=True)
        ] + ([{"name": "motion", "column": f"c{places[0]}", "unit": "mm"}] if len(places) == 1 else []),
        "load": {"channel": f"c{places[0]}"}, "motion": {"channel": f"c{places[1]}" if len(places) > 1 else "motion"},
    })  # fmt: skip


_Rejects = list[list[tuple[int, int, str]]]


def _read(
    path: Path, bodies: list[bytes], outline: Outline, words: dict[ColumnKey, tuple[str, ...]]
) -> tuple[list[LogPiece], _Rejects]:
    """Pieces through the text reader, and their rejects (row, rows, reason)."""
    rig, read = _rig(outline, words), find_reader("text")
    keys = {f"c{k}": column.key for k, column in enumerate(outline.columns)}
    pieces, rejects = [], []
    for body in bodies:
        batches = list(read(path, io.BytesIO(body), rig))
        pieces.append(_joined(batches, keys, dated=bool(outline.dates)))
        rejects.append([(r.row, r.rows, r.reason) for batch in batches for r in batch.rejects])
    return pieces, rejects


def _joined(batches: list[RawBatch], keys: dict[str, ColumnKey], *, dated: bool) -> LogPiece:
    row = np.concatenate([np.empty(0, np.int64), *(b.row for b in batches)])
    stamps = np.concatenate([np.empty(0, np.int64), *(b.time.astype(np.int64) for b in batches)]) if dated else None
    names = [name for name in batches[0].channels if name in keys] if batches else []
    return LogPiece(row, stamps, {keys[name]: np.concatenate([b.channels[name] for b in batches]) for name in names})


def _words(
    bodies: list[bytes], rejects: _Rejects, outline: Outline, dialect: DialectFinding
) -> dict[ColumnKey, tuple[str, ...]]:
    """Texts that stand in place of numbers, by column: the usual ones, and any that come twice."""
    found: dict[ColumnKey, Counter[str]] = {}
    places = [k for k, column in enumerate(outline.columns) if column.kind == "number"]
    for body, refused in zip(bodies, rejects, strict=True):
        lines = body.splitlines() if refused else []
        for row, _, _ in refused:
            cells = dialect.cells(lines[row - 1].decode("utf-8", "replace"))
            if len(cells) != len(outline.columns):
                continue
            odd = [k for k in places if cells[k] and dialect.form.value(cells[k]) is None]
            if len(odd) > len(places) // 2:  # a header again, a note
                continue
            for k in odd:
                found.setdefault(outline.columns[k].key, Counter())[cells[k]] += 1
    kept = {
        key: tuple(sorted(word for word, count in words.items() if count > 1 or word.upper() in NO_VALUE))
        for key, words in found.items()
    }
    return {key: words for key, words in kept.items() if words}
