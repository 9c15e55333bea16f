"""Helpers of the ingest tests: rig files as models, and a text log read whole.

``plain_rows`` is a second reader, written for clarity and against the same rules as the one
under test: one line at a time, regular expressions, ``float``.
"""

from __future__ import annotations

import io
import json
import math
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from benchpipe.config.rig import RigConfig
from benchpipe.readers.batch import Reject
from benchpipe.readers.text import read_text
from benchpipe.readers.text_state import TextState


def make_rig(
    log: dict[str, Any] | None = None,
    time: dict[str, Any] | None = None,
    channel: list[dict[str, Any]] | None = None,
    **more: Any,
) -> RigConfig:
    """A rig with load [N] and motion [mm] in the columns Load and Angle."""
    two = [{"name": "load", "column": "Load", "unit": "N"}, {"name": "motion", "column": "Angle", "unit": "mm"}]
    whole = {
        "name": "test rig",
        "log": log or {},
        "time": {"column": "Time", "sample_rate": "100 Hz"} | (time or {}),
        "channel": channel or two,
        "load": {"channel": "load"},
        "motion": {"channel": "motion"},
    }
    return RigConfig.model_validate(whole | more)


@dataclass(frozen=True)
class Read:
    """A log read whole: rows of numbers, rejects as stretches of lines, and the reader's last state."""

    row: list[int]
    time: list[float]
    channels: dict[str, list[float]]
    rejects: list[Reject]
    state: TextState | None

    @property
    def rejected(self) -> int:
        """Rejected rows."""
        return sum(r.rows for r in self.rejects)

    @property
    def lines(self) -> list[tuple[int, str]]:
        """Each rejected line with its reason."""
        return [(r.row + k, r.reason) for r in self.rejects for k in range(r.rows)]


def read_back(state: TextState | None) -> TextState | None:
    """A reader's state as the manifest gives it back."""
    return TypeAdapter(TextState).validate_json(json.dumps(asdict(state)), strict=True) if state is not None else None


def read_bytes(data: bytes, rig: RigConfig, state: TextState | None = None) -> Read:
    """Read a text log that is held in memory."""
    file = io.BytesIO(data)
    if state is not None:
        file.seek(state.offset)
    batches = list(read_text(Path("test.log"), file, rig, state))
    states = [b.state for b in batches if b.state is not None]
    return Read(
        [int(r) for b in batches for r in b.row],
        [float(t) for b in batches for t in b.time],
        {c.name: [float(v) for b in batches for v in b.channels[c.name]] for c in rig.channel},
        [r for b in batches for r in b.rejects],
        states[-1] if states else state,
    )


def same_numbers(a: list[float], b: list[float]) -> bool:
    """Whether two columns are equal to the last bit, NaN to NaN."""
    return len(a) == len(b) and np.array_equal(np.array(a), np.array(b), equal_nan=True)


LINE_END = re.compile(r"\r\r\n|\r\n|\n|\r")
_WORD = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE)


def plain_rows(text: str, rig: RigConfig) -> tuple[list[tuple[int, list[float]]], list[tuple[int, str]]]:
    """Rows (line, numbers: time first) and rejected lines with reasons, of the rows of a log.

    ``text`` begins with its header line; every line is ended. For logs of elapsed time without quotes.
    """
    log = rig.log
    lines = LINE_END.split(text)
    header = [c.strip() for c in lines[0].split(log.separator_text)]
    places = [header.index("Time")] + [header.index(str(c.column)) for c in rig.channel]
    missing = [set(log.missing)] + [{*log.missing, *c.missing} for c in rig.channel]
    rows, rejects = [], []
    first = [line.split(log.separator) for line in lines[1:-1] if line.strip()][:20] if log.separator != "space" else []
    ended = sum(len(cells) == len(header) + 1 and not cells[-1].strip() for cells in first)
    spare = ended >= 3 and sum(len(cells) == len(header) for cells in first) <= 2
    for number, line in enumerate(lines[1:-1], 2):
        cells = re.split("[ \t]+", line.strip(" \t")) if log.separator == "space" else line.split(log.separator)
        if spare and len(cells) == len(header) + 1 and cells[-1].strip(" \t") == "":
            cells.pop()
        if line == lines[0]:
            rejects.append((number, "header repeated"))
        elif all(ord(c) <= 32 or c == log.separator for c in line):
            rejects.append((number, "empty line"))
        elif len(cells) != len(header):
            rejects.append((number, f"{len(cells)} cells instead of {len(header)}"))
        else:
            values = [plain_number(cells[p].strip(" \t"), rig, none) for p, none in zip(places, missing, strict=True)]
            names = ["time"] + [c.name for c in rig.channel]
            bad = [names[places.index(p)] for p in sorted(places) if values[places.index(p)] is None]
            if bad and bad[0] != "time":
                rejects.append((number, f"no number in the column of '{bad[0]}'"))
            elif bad or math.isnan(values[0] or 0.0):
                rejects.append((number, "no time that can be read"))
            else:
                rows.append((number, [v for v in values if v is not None]))
    return rows, rejects


def plain_number(cell: str, rig: RigConfig, missing: set[str]) -> float | None:
    """A cell as a number, NaN where it holds none, or None where it is neither."""
    log = rig.log
    if cell == "" or cell in missing or _WORD.fullmatch(cell):
        return math.nan
    whole = r"\d+"
    if log.thousands:
        group = re.escape(log.thousands)
        whole = rf"(?:\d{{1,3}}(?:{group}\d{{3}})+|\d+)"
    point = re.escape(log.decimal)
    if not re.fullmatch(rf"[+\-−]?(?:{whole}(?:{point}\d*)?|{point}\d+)(?:[eE][+-]?\d+)?", cell, re.ASCII):
        return None
    plain = cell.replace("−", "-")
    if log.thousands:
        plain = plain.replace(log.thousands, "")
    value = float(plain.replace(log.decimal, "."))
    return value if math.isfinite(value) else math.nan
