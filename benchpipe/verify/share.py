"""A rotating share of verification each night: every log and every part once in so many days.

Each file has a moment of its own in that time, which its name gives: so the work is spread over the nights, and a night
that was missed is made up for by the next.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from benchpipe.errors import BenchpipeError
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest, Part, Source
from benchpipe.store.notes import NIGHTS
from benchpipe.store.storage import keep_file
from benchpipe.verify.files import log_fault, part_fault
from benchpipe.verify.line import Line

VERIFIED = f"{NIGHTS}/verified.json"
VERSION = 1
Moments = dict[str, dict[str, float]]  # by run and file: when it was last verified, seconds since 1970


@dataclass(frozen=True)
class _File:
    """A log or a part: its name in the note (with its hash, so that a log that grew is another), and its record."""

    name: str
    record: Source | Part


def verify_share(store: Path, runs: Sequence[RunConfig], every_s: float, now: datetime) -> list[Line]:
    """Verify the files whose turn it is, and note it; the caller holds the store.

    A file that is seen for the first time was read and hashed this night: its turn comes later.

    Parameters
    ----------
    every_s : float
        Each file is verified once in so many seconds.

    Returns
    -------
    list of Line
        What changed, or cannot be known.

    Raises
    ------
    StoreError
        The note cannot be written.
    """
    before, moment = _read(store), now.timestamp()
    after: Moments = dict(before)
    lines: list[Line] = []
    for run in runs:
        try:
            manifest = run.open_store().manifest()
        except BenchpipeError:  # reported by the run itself; its moments stay
            continue
        known, mine = before.get(run.name, {}), dict[str, float]()
        for file in _files(manifest):
            mine[file.name] = known.get(file.name, moment)
            if not _due(f"{run.name}/{file.name}", mine[file.name], moment, every_s):
                continue
            line = _verified(run, file)
            if line is None:
                mine[file.name] = moment
            else:
                lines.append(line)
        after[run.name] = mine
    if after != before:
        document = json.dumps({"version": VERSION, "runs": after}, indent=1, sort_keys=True)
        keep_file(store / VERIFIED, document.encode())
    return lines


def verified_since(store: Path, run: str) -> float | None:
    """Since when every log of a run was verified once or more, seconds since 1970; None where no night has noted it."""
    logs = [moment for name, moment in _read(store).get(run, {}).items() if name.startswith("log ")]
    return min(logs, default=None)


def _due(name: str, last_s: float, now_s: float, every_s: float) -> bool:
    """Whether a file's own moment has come since it was last verified."""
    phase = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big") / 2**64 * every_s
    return (now_s - phase) // every_s > (last_s - phase) // every_s


def _files(manifest: Manifest) -> Iterator[_File]:
    for source in manifest.sources:
        yield _File(f"log {source.file} {source.sha256}", source)
    for part in manifest.parts():
        yield _File(f"part {part.path}", part)


def _verified(run: RunConfig, file: _File) -> Line | None:
    if isinstance(file.record, Part):
        what, fault = f"part {file.record.path}", part_fault(run.store / run.name, file.record)
    else:
        what, fault = f"log {file.record.file}", log_fault(run.folder / file.record.file, file.record)
    return None if fault is None else Line(fault[0], run.name, what, fault[1])


def _read(store: Path) -> Moments:
    """Moments by run and file; a note that cannot be read counts as empty, and is written again."""
    try:
        document: Mapping[str, Any] = json.loads((store / VERIFIED).read_bytes())
        if document["version"] != VERSION:
            return {}
        return {
            str(run): {str(name): float(moment) for name, moment in some.items()}
            for run, some in document["runs"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
