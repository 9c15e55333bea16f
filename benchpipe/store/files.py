"""Files that appear whole or not at all.

Temporary name in the same folder → write → fsync → rename → fsync the folder.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from benchpipe.errors import BenchpipeError, StoreError
from benchpipe.mirrors import HOME, mirror_over, mirrors_home
from benchpipe.store.refusals import advice

TEMPORARY = ".unfinished-"
WRITE_OUT = 8 << 20  # bytes after which the disk is set to work, so that the last sync has little left to wait for


class HashingFile(io.RawIOBase):
    """A file opened for writing that hashes what passes through."""

    def __init__(self, path: Path, file: IO[bytes]) -> None:
        self.path = path
        self._file = file
        self._hash = hashlib.sha256()
        self.size = 0
        self._handed_on = 0

    def writable(self) -> bool:
        """Say that it can be written (pyarrow asks)."""
        return True

    def write(self, data: object) -> int:
        """Write all of ``data``.

        Raises
        ------
        StoreError
            The disk is full, or another reason why it cannot be written.
        """
        view = memoryview(data)  # type: ignore[arg-type]
        if self._file.closed:  # given up, as after Ctrl-C: what a library still had in hand goes nowhere
            return view.nbytes
        with told_as_store_error(self.path.parent):
            self._file.write(view)
        self._hash.update(view)
        self.size += view.nbytes
        if self.size - self._handed_on >= WRITE_OUT:
            self._hand_on()
        return view.nbytes

    def _hand_on(self) -> None:
        """Let the system begin to write to the disk what it holds (Linux does so on this advice, and keeps the pages).

        A failure shows at the sync.
        """
        if hasattr(os, "posix_fadvise"):
            with suppress(OSError):
                os.posix_fadvise(
                    self._file.fileno(), self._handed_on, self.size - self._handed_on, os.POSIX_FADV_DONTNEED
                )
        self._handed_on = self.size

    def tell(self) -> int:
        """Bytes written so far."""
        return self.size

    def flush(self) -> None:
        """Hand buffered bytes to the system."""
        if not self._file.closed:
            self._file.flush()

    def sync(self) -> None:
        """Wait until the bytes are on the disk."""
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file below."""
        self._file.close()
        super().close()

    @property
    def sha256(self) -> str:
        """Hash of what was written."""
        return self._hash.hexdigest()


@contextmanager
def unfinished(folder: Path) -> Iterator[HashingFile]:
    """Open a temporary file in ``folder``; it is removed unless :func:`finish` renamed it."""
    with told_as_store_error(folder):
        make_folder(folder)
        path = folder / f"{TEMPORARY}{uuid.uuid4().hex}"
        file = HashingFile(path, path.open("xb"))  # opened before: an object half made would be closed as a whole one
        try:
            yield file
        finally:
            with suppress(OSError):
                file.close()
            with suppress(OSError):
                path.unlink(missing_ok=True)


def finish(file: HashingFile, name: str) -> Path:
    """Give an unfinished file its name, once its bytes are safe.

    Raises
    ------
    StoreError
        The disk is full, or another reason why it cannot be written.
    """
    final = file.path.with_name(name)
    copied = mirror_over(final) is not None  # what a power cut takes there is stored elsewhere, and fetched again
    with told_as_store_error(final.parent):  # here: in a caller that reads a log, it would be blamed on that
        if not copied:
            file.sync()
        file.close()
        file.path.replace(final)
        if not copied:
            sync_folder(final.parent)
    return final


def write_whole(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path``, all or nothing."""
    with unfinished(path.parent) as file:
        file.write(data)
        finish(file, path.name)


def remove_unfinished(folder: Path) -> None:
    """Remove what killed jobs left in a folder and those in it; the caller is the only one who writes there."""
    for pattern in (f"{TEMPORARY}*", f"*/{TEMPORARY}*"):
        for path in folder.glob(pattern):
            with suppress(OSError):
                path.unlink()


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, and wait until each is on the disk: else a power cut takes what is in it."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for made in reversed(missing):
        sync_folder(made.parent)


def sync_folder(folder: Path) -> None:
    """Wait until a rename in ``folder`` is on the disk (where the system can)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:  # some network shares cannot
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """Hash of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def told_as_store_error(where: Path) -> Iterator[None]:
    """Turn a failed write into an error a user can act on."""
    try:
        yield
    except BenchpipeError:
        raise
    except OSError as error:
        if mirror_over(where) is not None:
            raise StoreError(
                f"this machine's copy of the store cannot be written: {error.strerror or error}",
                where=mirrors_home(), do_next=advice(error, f"name another folder: {HOME}=DIR"),
            ) from error  # fmt: skip
        what = f"it cannot be written there: {error.strerror or error}"
        raise StoreError(what, where=where, do_next=advice(error, "choose another store")) from error


def natural_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key in which ``day9`` comes before ``day10``."""
    pieces = re.split(r"(\d+)", name)
    return tuple((1, int(p), "") if p.isdecimal() else (0, 0, p) for p in pieces)
