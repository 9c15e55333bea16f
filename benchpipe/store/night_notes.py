"""Notes that nights keep for the next, cut by run: several jobs may each work on some runs of one store.

On an object store each run has a key of its own, ``.nights/alarms/RUN.json``. Put together they are to the last byte
the file that a store in a folder has.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

NIGHTS = ".nights"  # what nights keep for the next: no tables
BY_RUN = ("alarms", "steps", "told", "verified")  # names of notes without their ending


def cut_by_run(note: str, data: bytes) -> dict[str, bytes]:
    """Pieces of a note by run: what it says of each."""
    document = json.loads(data)
    if note == "steps":
        return {run: _text({run: uses}) for run, uses in document.items()}
    if note == "verified":
        return {run: _text(document | {"runs": {run: files}}) for run, files in document["runs"].items()}
    pieces: dict[str, Any] = {}
    if note == "alarms":
        for row in document["alarms"]:
            pieces.setdefault(row["run"], document | {"alarms": []})["alarms"].append(row)
    else:
        for label, rows in document["told"].items():
            for row in rows:
                told = pieces.setdefault(row[0], document | {"told": {}})["told"]
                told.setdefault(label, []).append(row)
    return {run: _text(piece) for run, piece in pieces.items()}


def put_together(note: str, pieces: Mapping[str, bytes]) -> bytes:
    """The note that was cut; pieces that cannot be read are left out, as the note counts as empty where it cannot."""
    documents = [one for _, data in sorted(pieces.items()) if (one := _read(data)) is not None]
    if note == "steps":
        return json.dumps({k: v for one in documents for k, v in one.items()}, indent=1, sort_keys=True).encode()
    version = max((one.get("version", 1) for one in documents), default=1)
    if note == "verified":
        runs = {k: v for one in documents for k, v in one.get("runs", {}).items()}
        return json.dumps({"version": version, "runs": runs}, indent=1, sort_keys=True).encode()
    if note == "alarms":
        rows = [row for one in documents for row in one.get("alarms", ())]
        return json.dumps({"version": version, "alarms": rows}, indent=1).encode()
    labels = sorted({label for one in documents for label in one.get("told", ())})
    told = {label: sorted(row for one in documents for row in one.get("told", {}).get(label, ())) for label in labels}
    return json.dumps({"version": version, "told": told}, indent=1).encode()


def _text(document: Any) -> bytes:
    return json.dumps(document, indent=1).encode()


def _read(data: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(data)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
