"""When a run was first worked on with other settings files: a note beside the store's tables.

It is no part of a manifest: two labs with the same logs and settings have the same bytes, whenever they worked. It has
no seal, so it dates a change and proves nothing.
"""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from benchpipe.errors import StoreError
from benchpipe.store.notes import NIGHTS
from benchpipe.store.open_storage import keep_file

VERSION = 1


def note_settings(store: Path, run: str, state: int, configuration: str, now: datetime) -> None:
    """Note that a state of a run is the first with a list of settings files; one note a run, so that runs side by side
    do not write to the same file. A note that cannot be written is no reason to stop: the state itself is safe."""
    known = _read(store, run)
    if known and known[-1]["configuration"] == configuration and known[-1]["state"] <= state:
        return
    kept = [one for one in known if one["state"] < state]  # a store that was put back counts again from there
    row = {"state": state, "configuration": configuration, "when": now.isoformat(timespec="seconds")}
    document = json.dumps({"version": VERSION, "states": [*kept, row]}, indent=1)
    with suppress(StoreError):
        keep_file(_path(store, run), document.encode())


def settings_since(store: Path, run: str, state: int, configuration: str | None) -> str | None:
    """When the settings files of a state were first used (ISO 8601, UTC); None where that is not known."""
    before = [one for one in _read(store, run) if one["state"] <= state]
    return str(before[-1]["when"]) if before and before[-1]["configuration"] == configuration else None


def _path(store: Path, run: str) -> Path:
    return store / NIGHTS / f"configuration-{run}.json"


def _read(store: Path, run: str) -> list[dict[str, Any]]:
    """Rows of the note, in the order of states; none where it cannot be read."""
    try:
        document = json.loads(_path(store, run).read_bytes())
        if document["version"] != VERSION:
            return []
        rows = [{"state": int(one["state"]), "configuration": str(one["configuration"]), "when": str(one["when"])}
                for one in document["states"]]  # fmt: skip
        return sorted(rows, key=lambda one: one["state"])
    except (OSError, ValueError, KeyError, TypeError):
        return []
