"""Verify the notes of a store: those of nights can be read; those on a run follow each from the one before."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.manifest import Head, Manifest
from benchpipe.store.notes import NIGHTS
from benchpipe.store.run_notes import NOTES, lost_notes, read_notes
from benchpipe.verify.line import Line, Status


def note_lines(store: Path) -> Iterator[Line]:
    """Notes that nights keep for the next: each can be read."""
    notes = sorted((store / NIGHTS).glob("*.json"))
    bad = 0
    for path in notes:
        try:
            if not isinstance(json.loads(path.read_bytes()), dict):
                raise ValueError("it is no document")
        except (OSError, ValueError) as error:
            bad += 1
            yield Line(Status.CHANGED, "", f"note {NIGHTS}/{path.name}", f"it cannot be read: {error}")
    if notes and not bad:
        yield Line(Status.HOLDS, "", "notes", f"{len(notes)} of {len(notes)} can be read (they have no seal)")


def run_note_lines(run: str, folder: Path, manifest: Manifest) -> Iterator[Line]:
    """Notes on a run: each follows from the one before, and those that the manifest counted are there."""
    step = manifest.steps.get("drift")
    kept = step.state.get("notes") if step is not None and isinstance(step.state, dict) else None
    head = Head.model_validate(kept) if kept is not None else None
    if head is None and not (folder / NOTES).exists():
        return
    try:
        count, lost = len(read_notes(folder)), lost_notes(folder, head)
    except StoreError as error:
        yield Line(Status.CHANGED, run, NOTES, error.what)
        return
    if lost:
        yield Line(Status.CHANGED, run, NOTES, lost)
        return
    counted = head.entries if head is not None else 0
    later = f", {count - counted} of them later than the manifest" if count > counted else ""
    yield Line(Status.HOLDS, run, NOTES, f"{count} note(s), each follows from the one before{later}")
