"""Small files of a mirror: their tags when they were last pulled, and notes of nights in pieces."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from benchpipe.store.files import write_whole
from benchpipe.store.night_notes import BY_RUN, NIGHTS, cut_by_run
from benchpipe.store.storage import Tagged

SEEN = ".pulled"  # folder in the mirror
OF_STORE = ".store"  # no run is called so


@dataclass
class Pulled:
    """Tag and SHA-256 of each small file that is in the mirror. A file that cannot be read counts as empty."""

    path: Path
    rows: dict[str, tuple[str, str]]
    changed: bool = False

    @classmethod
    def read(cls, mirror: Path, run: str) -> Pulled:
        """What was pulled of a run; of the store itself: ``""``."""
        path = mirror / SEEN / f"{run or OF_STORE}.json"
        try:
            rows = {str(name): (str(tag), str(sha)) for name, (tag, sha) in json.loads(path.read_bytes()).items()}
        except (OSError, ValueError, TypeError, AttributeError):
            rows = {}
        return cls(path, rows)

    def tag(self, name: str) -> str:
        """Tag of a file; empty where it is not known."""
        return self.rows.get(name, ("", ""))[0]

    def sha256(self, name: str) -> str:
        """Hash of a file; empty where it is not known."""
        return self.rows.get(name, ("", ""))[1]

    def note(self, name: str, found: Tagged) -> None:
        """Note a file that was pulled or stored."""
        self.rows[name] = (found.tag, hashlib.sha256(found.data).hexdigest())
        self.changed = True

    def write(self, here: Collection[str] | None = None) -> None:
        """Keep it where it changed; files that are not here any more are forgotten."""
        if here is not None:
            rows = {name: row for name, row in self.rows.items() if name in here}
            self.changed, self.rows = self.changed or rows != self.rows, rows
        if self.changed:
            write_whole(self.path, json.dumps(self.rows, indent=1, sort_keys=True).encode())


def cut_note(name: str, data: bytes) -> dict[str, bytes] | None:
    """Pieces of a note of nights by run; None for another file."""
    folder, _, file = name.rpartition("/")
    note = file.removesuffix(".json")
    return cut_by_run(note, data) if folder == NIGHTS and note in BY_RUN else None


def note_pieces(mirror: Path, names: Iterable[str]) -> dict[str, dict[str, bytes]]:
    """Pieces that are in the mirror, by note and run."""
    found: dict[str, dict[str, bytes]] = {note: {} for note in BY_RUN}
    for name in names:
        parts = name.split("/")
        if len(parts) == 3 and parts[0] == NIGHTS and parts[1] in found:
            found[parts[1]][parts[2].removesuffix(".json")] = (mirror / name).read_bytes()
    return found
