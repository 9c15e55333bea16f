"""A rotating share of verification each night: every log, part and settings file once in so many days.

Each file has a moment of its own in that time, which its name gives: so the work is spread over the nights, and a night
that was missed is made up for by the next.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchpipe.errors import BenchpipeError, DamageError
from benchpipe.store.notes import NIGHTS
from benchpipe.store.open_storage import keep_file
from benchpipe.verify.line import Line

if TYPE_CHECKING:
    from benchpipe.run import RunConfig
    from benchpipe.store.manifest import Manifest, Part, Source

VERIFIED = f"{NIGHTS}/verified.json"
VERSION = 1
Moments = dict[str, dict[str, float]]  # by run and file: when it was last verified, seconds since 1970


@dataclass(frozen=True)
class _File:
    """A log, a part or a settings file (its path and SHA-256): its name in the note (with its hash, so that a log that
    grew is another), and its record."""

    name: str
    record: Source | Part | tuple[str, str]


@dataclass(frozen=True)
class SharedRun:
    """A run of which a share is verified; ``files`` are the names of its logs and parts, None: the manifest says."""

    name: str
    folder: Path
    store: Path
    files: tuple[str, ...] | None = None

    @classmethod
    def of(cls, run: RunConfig) -> SharedRun:
        """A run whose manifest is read."""
        return cls(run.name, run.folder, run.store)

    def manifest(self) -> Manifest:
        """Its manifest."""
        from benchpipe.store.run_store import RunStore

        return RunStore(self.store, self.name).manifest()


def file_names(folder: Path, manifest: Manifest) -> Iterator[str]:
    """Names by which the verification of the logs, parts and settings files of a run is noted; its folder."""
    return (file.name for file in _files(folder, manifest))


def verify_share(store: Path, runs: Sequence[SharedRun], every_s: float, now: datetime) -> list[Line]:
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
        files: dict[str, _File] | None = None
        try:
            if run.files is None:
                files = _by_name(run)
        except BenchpipeError:  # reported by the run itself; its moments stay
            continue
        known, mine = before.get(run.name, {}), dict[str, float]()
        for name in files or run.files or ():
            mine[name] = known.get(name, moment)
            if not _due(f"{run.name}/{name}", mine[name], moment, every_s):
                continue
            files = files if files is not None else _by_name(run)
            line = _verified(run, files[name])
            if line is None:
                mine[name] = moment
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


def verified_words(store: Path, run: str) -> str:
    """:func:`verified_since` in words; empty where it is not known."""
    since = verified_since(store, run)
    return "" if since is None else f"logs verified since {datetime.fromtimestamp(since):%Y-%m-%d}"


def _due(name: str, last_s: float, now_s: float, every_s: float) -> bool:
    """Whether a file's own moment has come since it was last verified."""
    phase = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big") / 2**64 * every_s
    return (now_s - phase) // every_s > (last_s - phase) // every_s


def _by_name(run: SharedRun) -> dict[str, _File]:
    return {file.name: file for file in _files(run.store / run.name, run.manifest())}


def _files(folder: Path, manifest: Manifest) -> Iterator[_File]:
    from benchpipe.store.configuration import list_path, read_list

    for source in manifest.sources:
        yield _File(f"log {source.file} {source.sha256}", source)
    for part in manifest.parts():
        yield _File(f"part {part.path}", part)
    for used in sorted(set(manifest.configuration.values())):
        yield _File(f"settings {list_path(used)}", (list_path(used), used))
        with suppress(DamageError):  # the list has a turn of its own
            for one in read_list(folder, used):
                yield _File(f"settings {one.path}", (one.path, one.sha256))


def _verified(run: SharedRun, file: _File) -> Line | None:
    from benchpipe.store.manifest import Part
    from benchpipe.verify.files import log_fault, part_fault
    from benchpipe.verify.settings import settings_fault

    if isinstance(file.record, tuple):
        what, fault = file.record[0], settings_fault(run.store / run.name / file.record[0], file.record[1])
    elif isinstance(file.record, Part):
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
