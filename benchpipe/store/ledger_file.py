"""The ledger of a store as a file: one entry a line, named by the SHA-256 of its line without the line break.

The file is replaced whole by itself with one more line, so that no crash leaves half a line.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from benchpipe.errors import DamageError, StoreError
from benchpipe.store.manifest import Head
from benchpipe.store.open_storage import keep_file, read_file

LEDGER = "ledger.jsonl"
BEGINNING = "0" * 64  # what the first entry follows


def read_lines(store: Path) -> tuple[list[bytes], bytes]:
    """Whole lines of the ledger, and what is after the last line break: empty in a sound file.

    Raises
    ------
    StoreError
        The file cannot be read.
    """
    try:
        *lines, rest = read_file(store / LEDGER).split(b"\n")
    except FileNotFoundError:
        return [], b""
    except OSError as error:
        raise StoreError(f"the ledger cannot be read: {error.strerror}", where=store / LEDGER) from None
    return lines, rest


def name_of(line: bytes) -> str:
    """SHA-256 of an entry: the next entry names it, and so does whatever is kept elsewhere."""
    return hashlib.sha256(line).hexdigest()


def head_of(store: Path) -> Head | None:
    """Number and SHA-256 of the last whole entry; None where there is no ledger.

    Raises
    ------
    StoreError
        The file cannot be read.
    """
    lines, _ = read_lines(store)
    return Head(entries=len(lines), sha256=name_of(lines[-1])) if lines else None


def append_line(store: Path, line: bytes) -> Head:
    """Write one more entry; the caller holds the store, and has verified the ledger.

    Raises
    ------
    DamageError
        The last line is torn. Nothing is written.
    StoreError
        The disk is full, or another reason why it cannot be written: the ledger is as it was.
    """
    lines, rest = read_lines(store)
    if rest:
        raise torn(store, len(lines) + 1)
    keep_file(store / LEDGER, b"".join(one + b"\n" for one in (*lines, line)))
    return Head(entries=len(lines) + 1, sha256=name_of(line))


def torn(store: Path, number: int) -> DamageError:
    """The error for a ledger whose last line has no end."""
    return DamageError(
        f"the ledger is torn in its entry {number}: the line has no end",
        where=store / LEDGER,
        do_next="fetch the ledger from a backup; if the head that was kept elsewhere is that of entry "
        f"{number - 1}, entry {number} never counted: move its piece of a line to another file. Nothing was written",
    )
