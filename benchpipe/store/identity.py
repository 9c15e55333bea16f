"""Expected identity of the store at a path: a share that is not mounted looks like a new, empty store.

A store has a mark (an id drawn once), and a note beside the lab file says which mark was seen at which path, and
which runs. Both are written whole. A lab whose note cannot be written continues without this guard.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from benchpipe.errors import StoreError
from benchpipe.escapes import quoted
from benchpipe.mirrors import store_name
from benchpipe.store.files import write_whole
from benchpipe.store.notes import NIGHTS
from benchpipe.store.open_storage import keep_file, pulled, storage_of

NOTE = ".benchpipe-stores.json"  # in the folder of the lab file
MARK = f"{NIGHTS}/store.json"
VERSION = 1


class SeenStore(NamedTuple):
    """The mark of a store, and the runs that were kept there."""

    mark: str
    runs: tuple[str, ...]


class StoreGoneError(StoreError):
    """The store is not the one that was there (exit 12)."""


def must_be_there(lab: Path, store: Path) -> None:
    """Refuse a store that is not the one that a lab saw at that path.

    A store that lost only its mark, and has a folder of each run, is taken for the same.

    Parameters
    ----------
    lab : Path
        The lab file.
    store : Path
        Its store; it need not be there.

    Raises
    ------
    StoreGoneError
        It is gone, or another one.
    StoreError
        Its mark cannot be read.
    """
    pulled(store)
    seen = _read_note(lab).get(_key(store))
    mark = mark_of(store) if seen is not None else None
    if seen is None or mark == seen.mark:
        return
    if mark is None and seen.runs and set(seen.runs) <= storage_of(store).runs():
        return
    command = f"benchpipe nightly {quoted(lab)} --new-store"
    raise StoreGoneError(
        "the store that was here is gone: is the share mounted?"
        if mark is None
        else "another store is here than the one that was: is the right share mounted?",
        where=store,
        expected=f"the store that this lab has worked with, of the run(s) {', '.join(seen.runs) or 'none'}",
        do_next=f"mount it and run again; if a new store is meant: {command}",
    )


def note_store(lab: Path, store: Path, runs: Iterable[str]) -> str:
    """Mark a store if it has no mark, and note it beside the lab file; the caller holds the store.

    Returns
    -------
    str
        Why the note could not be written; empty if it was.

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    mark = mark_of(store)
    if mark is None:
        storage_of(store).must_have_conditions()
        mark = uuid.uuid4().hex
        keep_file(store / MARK, json.dumps({"id": mark}).encode())
    notes = _read_note(lab)
    seen = SeenStore(mark, tuple(sorted(set(runs))))
    if notes.get(_key(store)) == seen:
        return ""
    stores = {path: one._asdict() for path, one in sorted((notes | {_key(store): seen}).items())}
    try:
        write_whole(lab.parent / NOTE, json.dumps({"version": VERSION, "stores": stores}, indent=1).encode())
    except StoreError as error:
        return f"which store this lab has cannot be noted ({error.what}): a share that is not mounted will look new"
    return ""


def _key(store: Path) -> str:
    return store_name(store)  # one name, however the lab file was named


def _read_note(lab: Path) -> dict[str, SeenStore]:
    """Stores by path; one that cannot be read counts as empty, and is written again."""
    try:
        document = json.loads((lab.parent / NOTE).read_bytes())
        if document["version"] != VERSION:
            return {}
        return {
            str(path): SeenStore(str(one["mark"]), tuple(map(str, one["runs"])))
            for path, one in document["stores"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def mark_of(store: Path) -> str | None:
    """The mark of a store; None where it has none.

    Raises
    ------
    StoreError
        It cannot be read.
    """
    try:
        return str(json.loads((store / MARK).read_bytes())["id"])
    except (FileNotFoundError, NotADirectoryError, ValueError, KeyError, TypeError):
        return None
    except OSError as error:
        raise StoreError(
            f"the store cannot be read: {error.strerror or error}",
            where=store / MARK,
            do_next="see that its disk or share answers, and that this account may read there; then run again",
        ) from error
