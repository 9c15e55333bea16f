"""Alarms already sent to each recipient, so that each is sent once: one JSON file of the store, written as a whole."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.notes import NIGHTS
from benchpipe.store.open_storage import keep_file

TOLD = f"{NIGHTS}/told.json"
VERSION = 1
Identity = tuple[str, str, str]
Told = dict[str, frozenset[Identity]]


def read_told(store: Path) -> Told:
    """Label of each address → identities (run, code, where) of the alarms it was sent and that go on.

    Raises
    ------
    StoreError
        The file cannot be read, or is not what was written.
    """
    try:
        document = json.loads((store / TOLD).read_bytes())
        if document["version"] != VERSION:
            raise ValueError(f"version {document['version']} instead of {VERSION}")
        return {
            label: frozenset((str(run), str(code), str(where)) for run, code, where in rows)
            for label, rows in document["told"].items()
        }
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        what = f"the list of sent alarms cannot be read ({error}): all alarms are sent again"
        raise StoreError(what, where=store / TOLD) from None


def write_told(store: Path, told: Mapping[str, frozenset[Identity]]) -> None:
    """Keep what was sent; nothing is written where nothing changed.

    Raises
    ------
    StoreError
        It cannot be written.
    """
    rows = {label: sorted(told[label]) for label in sorted(told) if told[label]}
    data = json.dumps({"version": VERSION, "told": rows}, indent=1).encode()
    path = store / TOLD
    there = path.read_bytes() if path.exists() else None
    if there != data and (rows or there is not None):
        keep_file(path, data)
