"""Verify the manifest of a run, its copies in the history, and its name, without any trust in one another."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from benchpipe.store.manifest import SCHEMA, Manifest, is_sealed
from benchpipe.store.mending import QUARANTINE
from benchpipe.store.run_store import COPIES_KEPT, HISTORY, MANIFEST, history_name
from benchpipe.verify.line import Line, Status


@dataclass(frozen=True)
class Document:
    """A manifest as it lies on the disk: its bytes' SHA-256, and what they say."""

    sha256: str
    manifest: Manifest


@dataclass
class Documents:
    """Manifests of a run that can be read: the current one, and the copies by number; and what is wrong with them."""

    current: Document | None = None
    copies: dict[int, Document] = field(default_factory=dict)
    lines: list[Line] = field(default_factory=list)


def read_documents(folder: Path) -> Documents:
    """Read and verify all manifests of a run's folder."""
    run, found = folder.name, Documents()
    found.current = _read(folder / MANIFEST, run, MANIFEST, found)
    for path in sorted((folder / HISTORY).glob("*")):
        name = f"{HISTORY}/{path.name}"
        one = _read(path, run, name, found)
        if one is None:
            continue
        if history_name(one.manifest.sequence) != path.name:
            found.lines.append(_changed(run, name, f"it is the manifest of state {one.manifest.sequence}"))
        else:
            found.copies[one.manifest.sequence] = one
    found.lines += _links(run, found)
    if found.current is not None:
        found.lines += _against_copies(run, found.current, found.copies)
    bad = [line for line in found.lines if line.status is not Status.HOLDS]
    if found.current is not None and not bad:
        state = found.current.manifest.sequence
        text = f"state {state} is sealed, is the copy of that number, and follows from {len(found.copies) - 1:,} before"
        found.lines.append(Line(Status.HOLDS, run, "manifest", text))
    return found


def _read(path: Path, run: str, name: str, found: Documents) -> Document | None:
    """A manifest, if it is what was written and of this run."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        found.lines.append(_changed(run, name, "it is missing"))
        return None
    except OSError as error:
        found.lines.append(Line(Status.UNKNOWN, run, name, f"it cannot be read: {error.strerror}"))
        return None
    if not is_sealed(data):
        found.lines.append(_changed(run, name, "it is not the document that was written: its seal does not hold"))
        return None
    try:
        document = json.loads(data)
        if document["schema_version"] != SCHEMA:
            raise ValueError(f"schema {document['schema_version']}, this version reads {SCHEMA}")
        manifest = Manifest.model_validate(document)
    except (ValueError, KeyError, TypeError) as error:
        text = f"it is of another version: {str(error).splitlines()[0]}"
        found.lines.append(Line(Status.UNKNOWN, run, name, text))
        return None
    if manifest.run != run:
        found.lines.append(_changed(run, name, f"it is of run '{manifest.run}': folders changed places"))
        return None
    return Document(hashlib.sha256(data).hexdigest(), manifest)


def _links(run: str, found: Documents) -> Iterator[Line]:
    """Each copy names the one before it."""
    for number, one in sorted(found.copies.items()):
        before = found.copies.get(number - 1)
        if before is not None and one.manifest.previous != before.sha256:
            text = f"it does not follow the copy of state {number - 1}: one of the two was replaced"
            yield _changed(run, f"{HISTORY}/{history_name(number)}", text)


def _against_copies(run: str, current: Document, copies: dict[int, Document]) -> Iterator[Line]:
    """The current manifest is the copy of the same number, and no copy is missing that should be there."""
    newest = current.manifest.sequence
    same = copies.get(newest)
    if same is not None and same.sha256 != current.sha256:
        yield _changed(run, MANIFEST, f"it is not its copy {HISTORY}/{history_name(newest)}")
    signed = {one.sequence for one in current.manifest.signed}
    wanted = signed | set(range(max(newest - COPIES_KEPT + 1, 1), newest + 1))
    for number in sorted(wanted - set(copies)):
        yield _changed(run, f"{HISTORY}/{history_name(number)}", f"the copy of state {number} is missing or damaged")
    later = [number for number in copies if number > newest]
    if later:
        text = (
            f"there is a copy of state {max(later)}, and the manifest is in state {newest}: a job was killed over it, "
        )
        yield Line(Status.UNKNOWN, run, MANIFEST, text + "or it was put back to an older state")


def quarantine_lines(folder: Path) -> Iterator[Line]:
    """Files that were set aside as damaged; a person has to look at them."""
    notes = sorted((folder / QUARANTINE).glob("[0-9]*.json"))
    for path in notes:
        try:
            note = json.loads(path.read_bytes())
            text = f"{note['path']} was set aside on {note['found'][:10]} ({note['why']}) and made again from the logs"
            yield Line(Status.HOLDS, folder.name, f"{QUARANTINE}/{path.name}", text)
        except (OSError, ValueError, KeyError, TypeError):
            yield _changed(folder.name, f"{QUARANTINE}/{path.name}", "the note is not what was written")


def _changed(run: str, what: str, text: str) -> Line:
    return Line(Status.CHANGED, run, what, text)
