"""Alarms of the last night: those of all runs of a store, each with the night that first reported it.

One JSON file for the store, written whole, and only when it changes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.night_notes import NIGHTS as NIGHTS
from benchpipe.store.open_storage import keep_file

SAID = f"{NIGHTS}/alarms.json"
VERSION = 1
Identity = tuple[str, str, str]


def read_said(store: Path) -> dict[Identity, datetime]:
    """Identity (run, code, where) of each alarm of the last night, and since when it is on (UTC).

    Raises
    ------
    StoreError
        The file cannot be read, or is not what was written.
    """
    try:
        document = json.loads((store / SAID).read_bytes())
        if document["version"] != VERSION:
            raise ValueError(f"version {document['version']} instead of {VERSION}")
        rows = document["alarms"]
        return {(row["run"], row["code"], row["where"]): _utc(row["since"]) for row in rows}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"what the last night said cannot be read: {error}",
            where=store / SAID,
            do_next="remove the file: all alarms count as new once",
        ) from None


def write_said(store: Path, said: Mapping[Identity, datetime]) -> None:
    """Keep what a night said; nothing is written where nothing changed."""
    rows = [
        {"run": run, "code": code, "where": where, "since": since.isoformat()}
        for (run, code, where), since in sorted(said.items())
    ]
    data = json.dumps({"version": VERSION, "alarms": rows}, indent=1).encode()
    path = store / SAID
    if (path.read_bytes() if path.exists() else b"") != data:
        keep_file(path, data)


def _utc(text: str) -> datetime:
    time = datetime.fromisoformat(text)
    if time.utcoffset() is None:
        raise ValueError(f"'{text}' has no offset from UTC")
    return time
