"""Verify the notes of a store, as far as they can be: they have no seal, and are of nights, not of results."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from benchpipe.store.notes import NIGHTS
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
