"""A raw log opened for reading: hashed as it is read, and never beyond the size it had at first."""

from __future__ import annotations

import hashlib
import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

from benchpipe.errors import InputError

if TYPE_CHECKING:
    from hashlib import _Hash

CHUNK = 4 << 20
AHEAD = 6  # pieces


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
    """A log that is read from where its hash so far ends, up to ``size``.

    A thread of its own reads it, a few pieces ahead, and hashes it: what is made of the pieces does not wait for that.
    The last pieces are kept with the hash before each, so that the hash of the log without a half-written last line can
    be had.
    """

    def __init__(self, file: IO[bytes], size: int, start: int = 0, so_far: _Hash | None = None) -> None:
        self._file, self._left = file, size - start
        self._hash = hashlib.sha256() if so_far is None else so_far.copy()
        self._kept: deque[tuple[int, _Hash, bytes]] = deque()
        self._thread = ThreadPoolExecutor(1, "reads a log")
        self._begun: deque[Future[bytes]] = deque()
        self._end = start
        file.seek(start)

    def __enter__(self) -> HashedLog:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.shutdown(cancel_futures=True)

    def read(self, size: int = CHUNK) -> bytes:
        """Read the next bytes."""
        while len(self._begun) <= AHEAD:
            self._begun.append(self._thread.submit(self._next, size))
        return self._begun.popleft().result()

    def _next(self, size: int) -> bytes:
        """Read a piece and hash it: on the thread."""
        data = self._file.read(min(size, self._left))
        self._left -= len(data)
        self._kept.append((self._end, self._hash.copy(), data))
        self._end += len(data)
        while self._end - self._kept[0][0] - len(self._kept[0][2]) >= CHUNK:
            self._kept.popleft()
        self._hash.update(data)
        return data

    def sha256(self, path: Path, taken: int | None) -> tuple[int, str]:
        """Bytes that were taken (all, if not given) and their hash; to be asked when all were read."""
        if taken is None or taken == self._end:
            return self._end, self._hash.hexdigest()
        begin, found, data = next((one for one in reversed(self._kept) if one[0] <= taken), (0, None, b""))
        if found is not None:
            found = found.copy()
            found.update(data[: taken - begin])
        elif (found := hash_of_beginning(path, taken)) is None:
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
