"""A store in a folder: what is written is at once where it counts."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from benchpipe.errors import StoreBusyError
from benchpipe.store.copies import HISTORY, MANIFEST, history_name
from benchpipe.store.files import sha256_of, sync_folder, write_whole
from benchpipe.store.manifest import Part
from benchpipe.store.storage import RunChange, StoredFile, Tagged


class FolderStorage:
    """Files of a store in a folder; whoever changes them holds its lock."""

    def __init__(self, store: Path) -> None:
        self._store = store

    def pull(self, run: str = "", *, every: bool = False) -> None:
        """Nothing: the files are here."""

    def forget(self, run: str | None = None) -> None:
        """Nothing: nothing is remembered."""

    def read(self, name: str) -> Tagged:
        """Read a file; its tag is its hash."""
        data = (self._store / name).read_bytes()
        return Tagged(data, hashlib.sha256(data).hexdigest())

    def keep(self, name: str, data: bytes) -> None:
        """Write a file whole; the lock of the store is the condition."""
        write_whole(self._store / name, data)

    def commit(self, change: RunChange) -> None:
        """Write the copy, then the manifest: the parts are there."""
        folder = self._store / change.after.run
        write_whole(folder / HISTORY / history_name(change.after.sequence), change.document)
        write_whole(folder / MANIFEST, change.document)
        if change.after.sequence == 1:  # a job that was killed may have made the folder
            sync_folder(self._store)

    def list(self, folder: str) -> Mapping[str, StoredFile]:
        """Files right in a folder; the tag is empty."""
        try:
            with os.scandir(self._store / folder) as entries:
                stats = {entry.name: entry.stat() for entry in entries}
        except FileNotFoundError:
            return {}
        return {name: StoredFile(stat.st_size, stat.st_mtime_ns, "") for name, stat in stats.items()}

    def exists(self, name: str) -> bool:
        """Whether there is such a file or folder."""
        return (self._store / name).exists()

    def runs(self) -> frozenset[str]:
        """Folders in the store."""
        return frozenset(path.name for path in self._store.glob("*") if path.is_dir())

    def confirm(self, name: str) -> StoredFile | None:
        """A listing of a folder has all."""
        return None

    def must_have_conditions(self) -> None:
        """Nothing: the lock is the condition."""

    def trim(self) -> None:
        """Nothing: there is no other copy."""

    def fetch(self, run: str, part: Part, *, again: bool = False) -> Path:
        """Where the part is."""
        return self._store / run / part.path

    def stat_and_hash(self, name: str, size: int) -> tuple[int, str]:
        """Bytes and hash of a file."""
        path = self._store / name
        found = path.stat().st_size
        return found, sha256_of(path) if found == size else ""

    def looked_at(self, run: str, newest_ns: int) -> None:
        """The time of the manifest is that of the newest part."""
        with suppress(OSError):
            os.utime(self._store / run / MANIFEST, ns=(newest_ns, newest_ns))

    def move(self, name: str, to: str) -> None:
        """Rename."""
        (self._store / name).replace(self._store / to)

    def remove(self, names: Iterable[str]) -> None:
        """Remove files."""
        for name in names:
            (self._store / name).unlink(missing_ok=True)

    def fetch_all(self, run: str) -> None:
        """Nothing: the files are here."""

    def send_all(self, run: str, names: Iterable[str]) -> None:
        """Nothing: the files are here."""


def changed_meanwhile(folder: Path) -> StoreBusyError:
    """The error for a run that another job has committed since this one began."""
    return StoreBusyError(
        f"another job has worked on run '{folder.name}' meanwhile: its work counts, and this job's is dropped",
        where=folder,
        do_next="run again: it goes on from there",
    )
