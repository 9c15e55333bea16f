"""Heads kept outside the store: the end of its ledger, and the newest manifest of each run.

They are noted beside the lab file after each command that writes to the store. A store that was put back to an older
state, a ledger whose last entries were cut, and a manifest that was edited and sealed again contradict the note. It
moves on only where what is there follows from what was noted, so that a forgery is not noted over it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchpipe.errors import StoreError
from benchpipe.mirrors import address_of
from benchpipe.store.archive_note import read_away
from benchpipe.store.files import write_whole
from benchpipe.store.identity import mark_of
from benchpipe.store.ledger_file import name_of, read_lines
from benchpipe.store.manifest import Head
from benchpipe.store.open_storage import read_file
from benchpipe.store.run_store import HISTORY, MANIFEST, history_name

NOTE = ".benchpipe-heads.json"  # in the folder of the lab file
VERSION = 1


@dataclass(frozen=True)
class Heads:
    """End of the ledger (None: there was none), and number and SHA-256 of each run's newest manifest."""

    ledger: Head | None = None
    runs: Mapping[str, Head] = field(default_factory=dict)


def read_heads(lab: Path, store: Path) -> Heads | None:
    """What was noted of a store beside a lab file; None where nothing was.

    Raises
    ------
    StoreError
        The note is not what was written.
    """
    one = _read(lab).get(_key(lab, store))
    return None if one is None else _heads(lab, one)


def keep_heads(lab: Path, store: Path, runs: Iterable[str], *, new_store: bool = False) -> tuple[str, ...]:
    """Note the heads of a store as they are now, as far as they follow from those that were noted.

    Parameters
    ----------
    new_store : bool
        A person accepted another store at that path: where it has another mark, what was noted is forgotten.

    Returns
    -------
    tuple of str
        What does not follow from the note, in sentences: what was noted of that is kept.

    Raises
    ------
    StoreError
        The note cannot be read or written, or the store cannot be read.
    """
    notes = _read(lab)
    noted, mark = notes.get(_key(lab, store)), mark_of(store)
    if noted is not None and new_store and noted.get("mark") not in (None, mark):
        noted = None
    known = _heads(lab, noted) if noted is not None else Heads()
    problems = list(ledger_problems(store, known.ledger))
    lines, _ = read_lines(store)
    ledger = Head(entries=len(lines), sha256=name_of(lines[-1])) if lines and not problems else known.ledger
    heads = dict(known.runs)
    for run in runs:
        folder = store / run
        away = read_away(folder)
        if away is not None and away.state == "leaving":
            continue
        wrong = tuple(run_problems(folder, known.runs.get(run)))
        problems += [f"run '{run}': {one}" for one in wrong]
        if not wrong and (folder / MANIFEST).is_file():
            heads[run] = _newest(folder)
    new = {
        "mark": mark,
        "ledger": ledger.model_dump() if ledger is not None else None,
        "runs": {run: head.model_dump() for run, head in sorted(heads.items())},
    }
    if notes.get(_key(lab, store)) != new:
        stores = dict(sorted((notes | {_key(lab, store): new}).items()))
        write_whole(lab.parent / NOTE, json.dumps({"version": VERSION, "stores": stores}, indent=1).encode())
    return tuple(problems)


def ledger_problems(store: Path, kept: Head | None) -> Iterator[str]:
    """How the ledger contradicts a head that was kept outside."""
    if kept is None:
        return
    lines, _ = read_lines(store)
    if len(lines) < kept.entries:
        yield f"the ledger ends with entry {len(lines)}, and had {kept.entries} entries: its end was cut"
    elif kept.entries and name_of(lines[kept.entries - 1]) != kept.sha256:
        yield f"entry {kept.entries} of the ledger is not the one whose head was kept outside the store"


def run_problems(folder: Path, kept: Head | None) -> Iterator[str]:
    """How the manifests of a run contradict the newest that was noted: each must name the one before it."""
    if kept is None:
        return
    try:
        newest = _newest(folder)
    except FileNotFoundError:
        yield f"it has no manifest, and had {kept.entries} states"
        return
    except (ValueError, KeyError, TypeError):
        yield "its manifest is not what was written"
        return
    if newest.entries < kept.entries:
        yield f"it is in state {newest.entries}, and was in state {kept.entries}: it was put back to an older one"
    elif newest.entries == kept.entries and newest.sha256 != kept.sha256:
        yield f"its manifest of state {kept.entries} is not the one that was noted"
    elif newest.entries > kept.entries:
        yield from _broken_links(folder, kept, newest)


def _broken_links(folder: Path, kept: Head, newest: Head) -> Iterator[str]:
    before = kept.sha256
    for number in range(kept.entries, newest.entries + 1):
        path = folder / MANIFEST if number == newest.entries else folder / HISTORY / history_name(number)
        try:
            data = read_file(path)
            previous = json.loads(data)["previous"]
        except (OSError, ValueError, KeyError, TypeError):
            yield f"its manifest of state {number} is missing or damaged, and it is the link to the one that was noted"
            return
        if number == kept.entries:
            if hashlib.sha256(data).hexdigest() != before:
                yield f"its manifest of state {number} is not the one that was noted"
                return
        elif previous != before:
            yield f"its manifest of state {number} does not follow that of state {number - 1}"
            return
        before = hashlib.sha256(data).hexdigest()


def _newest(folder: Path) -> Head:
    data = read_file(folder / MANIFEST)
    return Head(entries=int(json.loads(data)["sequence"]), sha256=hashlib.sha256(data).hexdigest())


def _key(lab: Path, store: Path) -> str:
    """A store's name in the note: relative to the lab file where it is below, so that a lab can be moved whole."""
    if (address := address_of(store)) is not None:
        return address
    folder, place = (Path(os.path.normpath(one.absolute())) for one in (lab.parent, store))
    return place.relative_to(folder).as_posix() if place.is_relative_to(folder) else str(place)


def _read(lab: Path) -> dict[str, Any]:
    try:
        document = json.loads((lab.parent / NOTE).read_bytes())
        if document["version"] != VERSION:
            raise ValueError(f"version {document['version']} instead of {VERSION}")
        return dict(document["stores"])
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise _unreadable(lab, error) from None


def _heads(lab: Path, one: Any) -> Heads:
    try:
        ledger = Head.model_validate(one["ledger"]) if one["ledger"] is not None else None
        return Heads(ledger, {str(run): Head.model_validate(head) for run, head in one["runs"].items()})
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _unreadable(lab, error) from None


def _unreadable(lab: Path, error: Exception) -> StoreError:
    return StoreError(
        f"the heads that were kept outside the store cannot be read: {str(error).splitlines()[0]}",
        where=lab.parent / NOTE,
        do_next="fetch the file from a backup; without it a store that was put back to an older "
        "state is not found. See benchpipe verify --lab LAB, then remove it: the next night begins another",
    )
