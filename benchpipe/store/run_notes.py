"""Notes on a run: what a person did to its specimen, and when. Lines are added, and never changed.

One JSON line a note, in the run's folder. Each names the SHA-256 of the line before it, so that a line that was changed
or removed shows. The file is replaced whole by itself with one more line: no crash leaves half a note.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.archive_note import must_be_here, must_be_no_archive
from benchpipe.store.ledger_file import BEGINNING, name_of
from benchpipe.store.manifest import Head
from benchpipe.store.open_storage import keep_file, read_file

NOTES = "notes.jsonl"


@dataclass(frozen=True)
class RunNote:
    """A note: number, time on the run's axis [us], kind, text, and when it was written (UTC, ISO 8601).

    ``previous`` is the SHA-256 of the line before it.
    """

    number: int
    at_us: int
    kind: str
    text: str
    written: str
    previous: str


def read_notes(folder: Path) -> tuple[RunNote, ...]:
    """All notes of a run, in the order in which they were written.

    Raises
    ------
    StoreError
        The file cannot be read, or is not what was written: the line is named.
    """
    return tuple(note for note, _ in _lines(folder))


def kept_head(notes: Sequence[RunNote], folder: Path) -> Head | None:
    """How many notes there are and the SHA-256 of the last: what a manifest keeps. None without any."""
    return Head(entries=len(notes), sha256=name_of(_lines(folder)[len(notes) - 1][1])) if notes else None


def lost_notes(folder: Path, head: Head | None) -> str:
    """What of the notes that a manifest counted is gone or another, in words; empty where all are there."""
    if head is None:
        return ""
    lines = _lines(folder)
    if len(lines) < head.entries:
        return f"{head.entries} note(s) were there, {len(lines)} are left"
    if name_of(lines[head.entries - 1][1]) != head.sha256:
        return f"the first {head.entries} note(s) are not those that were there"
    return ""


def append_note(folder: Path, at_us: int, kind: str, text: str, written: str) -> RunNote:
    """Write one more note; the caller holds the store.

    Raises
    ------
    StoreError
        The notes are damaged, the run is in an archive, or the disk is full. Nothing is changed then.
    """
    must_be_here(folder)
    must_be_no_archive(folder)
    lines = [line for _, line in _lines(folder)]
    previous = name_of(lines[-1]) if lines else BEGINNING
    note = RunNote(len(lines) + 1, at_us, kind, text, written, previous)
    line = json.dumps(asdict(note)).encode()
    keep_file(folder / NOTES, b"".join(one + b"\n" for one in (*lines, line)))
    return note


def _lines(folder: Path) -> list[tuple[RunNote, bytes]]:
    path = folder / NOTES
    try:
        *lines, rest = read_file(path).split(b"\n")
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise StoreError(f"the notes on the run cannot be read: {error.strerror}", where=path) from None
    if rest:
        raise _damaged(path, len(lines) + 1, "it has no end")
    found: list[tuple[RunNote, bytes]] = []
    previous = BEGINNING
    for number, line in enumerate(lines, 1):
        try:
            note = _note(json.loads(line))
        except (ValueError, TypeError, KeyError) as error:
            raise _damaged(path, number, f"it is no note ({type(error).__name__})") from None
        if (note.number, note.previous) != (number, previous):
            raise _damaged(path, number, "it does not follow from the line before it: one was changed or removed")
        found.append((note, line))
        previous = name_of(line)
    return found


def _note(row: dict[str, object]) -> RunNote:
    note = RunNote(**{field.name: row[field.name] for field in fields(RunNote)})  # type: ignore[arg-type]
    if not all(isinstance(v, int) and not isinstance(v, bool) for v in (note.number, note.at_us)):
        raise ValueError("number and at_us must be whole numbers")
    if not all(isinstance(v, str) for v in (note.kind, note.text, note.written, note.previous)):
        raise ValueError("kind, text, written and previous must be texts")
    return note


def _damaged(path: Path, number: int, why: str) -> StoreError:
    return StoreError(
        f"the notes on the run are damaged in line {number}: {why}",
        where=path,
        do_next="fetch the file from a backup; without one, move it away and write the notes again with benchpipe note",
    )
