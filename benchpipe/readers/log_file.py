"""A raw log opened for reading: hashed as it is read, and never beyond the size it had at first."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

from benchpipe.errors import InputError

if TYPE_CHECKING:
    from hashlib import _Hash

CHUNK = 4 << 20


@contextmanager
def open_log(path: Path) -> Iterator[IO[bytes]]:
    """Open a raw log for reading, and nothing else."""
    try:
        with path.open("rb") as file:
            yield file
    except OSError as error:
        raise InputError(f"the log cannot be read: {error.strerror or error}", where=path) from None


def hash_of_beginning(path: Path, size: int) -> _Hash | None:
    """Hash over the first ``size`` bytes of a log, or None where it has fewer."""
    found = hashlib.sha256()
    with open_log(path) as file:
        left = size
        while left > 0 and (data := file.read(min(CHUNK, left))):
            found.update(data)
            left -= len(data)
    return found if left == 0 else None


class HashedLog:
    """A log that is read from where its hash so far ends, up to ``size``, and hashed as it is read.

    The last pieces wait, so that the hash of the log without a half-written last line can be had.
    """

    def __init__(self, file: IO[bytes], size: int, start: int = 0, so_far: _Hash | None = None) -> None:
        self._file, self._left = file, size - start
        self._hash = hashlib.sha256() if so_far is None else so_far.copy()
        self._hashed = start
        self._waiting: list[bytes] = []
        file.seek(start)

    def read(self, size: int = CHUNK) -> bytes:
        """Read the next bytes."""
        data = self._file.read(min(size, self._left))
        self._left -= len(data)
        self._waiting.append(data)
        if sum(map(len, self._waiting[1:])) >= CHUNK:
            piece = self._waiting.pop(0)
            self._hashed += len(piece)
            self._hash.update(piece)
        return data

    def sha256(self, path: Path, taken: int | None) -> tuple[int, str]:
        """Bytes that were taken (all that were read, if not given) and their hash."""
        waiting = b"".join(self._waiting)
        taken = self._hashed + len(waiting) if taken is None else taken
        if taken >= self._hashed:
            self._hash.update(waiting[: taken - self._hashed])
            return taken, self._hash.hexdigest()
        found = hash_of_beginning(path, taken)
        if found is None:
            raise shrank(path)
        return taken, found.hexdigest()


def shrank(path: Path) -> InputError:
    """The error for a log that changes under the hands."""
    return InputError(
        "the log changed while it was read",
        where=path,
        do_next="run again when the rig has closed the file; nothing of it was taken",
    )


def must_be_still(path: Path, before: os.stat_result) -> None:
    """Refuse a log that is another than before."""
    try:
        after = path.stat()
    except OSError:
        raise shrank(path) from None
    if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
        raise shrank(path)
