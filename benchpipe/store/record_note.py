"""Records that were written of a run: where, of which state, and their bytes by hash.

One JSON file in the run's folder, written whole. Verification finds the records by it. A sign-off
in the ledger, or a signature in the document, binds a record to a person.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from benchpipe.errors import StoreError
from benchpipe.store.open_storage import keep_file
from benchpipe.store.sealed_note import read_note, sealed_note

NOTE = "records.json"
VERSION = 1


@dataclass(frozen=True)
class WrittenRecord:
    """A record: its file, number and manifest (SHA-256) of its state, size and SHA-256 of the document as it was made,
    without signatures, which are added at its end."""

    file: str
    state: int
    manifest: str
    bytes: int
    sha256: str

    def path(self, store: Path) -> Path:
        """Where it was written; a path below the store's parent is relative to that, so that a lab can be moved."""
        return Path(os.path.normpath(store.absolute().parent / self.file))


def named_in(store: Path, file: Path) -> str:
    """A file's name in the note."""
    home, path = (Path(os.path.normpath(one.absolute())) for one in (store.parent, file))
    return path.relative_to(home).as_posix() if path.is_relative_to(home) else str(path)


def read_records(folder: Path) -> tuple[WrittenRecord, ...]:
    """Records of a run, the oldest first; none where no note is.

    Raises
    ------
    StoreError
        The note is not what was written.
    """
    try:
        return tuple(_record(row) for row in read_note((folder / NOTE).read_bytes(), VERSION)["records"])
    except (FileNotFoundError, NotADirectoryError):
        return ()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"the note on written records cannot be read: {str(error).splitlines()[0]}",
            where=folder / NOTE,
            do_next="remove it: no run needs it; each record can still be verified: benchpipe verify RUN --record FILE",
        ) from None


def note_record(store: Path, run: str, new: WrittenRecord, keep: Iterable[str] = ()) -> None:
    """Note a record; the caller holds the store. One of the same file takes the place of the older.

    A record whose file is gone is forgotten, unless its hash is among ``keep``: those that were signed.

    Raises
    ------
    StoreError
        The note cannot be read or written.
    """
    kept = frozenset(keep)
    others = [
        one
        for one in read_records(store / run)
        if one.file != new.file and (one.sha256 in kept or one.path(store).is_file())
    ]
    rows = [asdict(one) for one in (*others, new)]
    keep_file(store / run / NOTE, sealed_note({"version": VERSION, "records": rows}))


def record_of_state(folder: Path, manifest: str) -> WrittenRecord | None:
    """The newest record of the state whose manifest has this SHA-256."""
    return next((one for one in reversed(read_records(folder)) if one.manifest == manifest), None)


def _record(row: dict[str, object]) -> WrittenRecord:
    texts, numbers = [row[key] for key in ("file", "manifest", "sha256")], [row[key] for key in ("state", "bytes")]
    if not all(isinstance(one, str) for one in texts) or not all(isinstance(one, int) for one in numbers):
        raise ValueError("it is not what was written")
    return WrittenRecord(**row)  # type: ignore[arg-type]
