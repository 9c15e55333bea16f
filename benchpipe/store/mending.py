"""Repair a run's store: find damage, set it aside as evidence, and drop it from the manifest.

The steps that made a dropped part rebuild it from the logs. Each night the folders are
listed: a part that is missing, has another size, or was written to after the manifest is damage.
A bit that rots on the disk, its file's time unchanged, is found by the hash when the part is read;
then every part of the run is verified against its hash. ``verify`` asks for that at once.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchpipe.errors import DamageError, StoreError
from benchpipe.mirrors import spelled
from benchpipe.store.files import told_as_store_error
from benchpipe.store.manifest import Manifest, Part, Remark, Step, named_parts
from benchpipe.store.parts import damaged, forget_hashes, unread
from benchpipe.store.run_store import HISTORY, MANIFEST, RunStore
from benchpipe.store.storage import StoredFile

QUARANTINE = "quarantine"
Units = Mapping[str, str]


@dataclass(frozen=True)
class Damage:
    """A file of a run's store that is not what was written. ``path`` is relative to the run's folder."""

    path: str
    why: str


@dataclass(frozen=True)
class Mended:
    """A run's store without what was damaged.

    ``lost`` names the logs of which a part is lost, each with the damage: they must be read again.
    """

    manifest: Manifest
    found: tuple[Damage, ...] = ()
    lost: dict[str, Damage] = field(default_factory=dict)


def mend(store: RunStore, units: Units, *, verify: bool = False, again: bool = False) -> Mended:
    """Take what is damaged out of a run's store, as far as it is plain; the caller holds the store.

    Parameters
    ----------
    units : mapping of str
        What each step makes again when a part of it is lost, by the step's name: ``"log"``, ``"block"`` or ``"run"``.
    verify : bool
        Compare every part with its hash.
    again : bool
        All logs will be read again: a closed run may be repaired too.

    Raises
    ------
    DamageError
        The run is closed, its samples are not there to rebuild the damaged part.
    StoreError
        The store cannot be read or written now.
    """
    restored: tuple[Damage, ...] = ()
    forget_hashes()
    try:
        manifest = store.manifest()
    except DamageError as error:
        manifest, restored = _restored(store, error)
        verify = True  # the manifest's own time says nothing now
    found = find_damage(store, manifest, verify=verify)
    if manifest.closed and not again:
        _only_of_tables(store, manifest, found, units)
    for one in found:
        set_aside(store, one)
    gone = {one.path: one for one in found}
    lost = {s.file: gone[p.path] for s in manifest.sources for p in reversed(s.parts) if p.path in gone}
    less = without(manifest, set(gone), units)
    if less != manifest:
        less = store.commit(less)
    return Mended(less, (*restored, *found), lost)


def mend_more(store: RunStore, units: Units, before: Mended, error: DamageError) -> Mended:
    """Repair after a step met damage on reading: every part is verified against its hash now.

    Raises
    ------
    DamageError
        As it was met: nothing new is found, or the store is gone as a whole (a share).
    """
    store.storage.forget(store.run)
    if not store.storage.exists(f"{store.run}/{MANIFEST}"):
        raise error
    mended = mend(store, units, verify=True)
    if not mended.found or {one.path for one in mended.found} <= {one.path for one in before.found}:
        raise error
    return Mended(mended.manifest, (*before.found, *mended.found), before.lost | mended.lost)


def _only_of_tables(store: RunStore, manifest: Manifest, found: list[Damage], units: Units) -> None:
    """Of a closed run only what is made of tables can be rebuilt, as verdicts are: its samples were dropped."""
    of_tables = {p.path for name, step in manifest.steps.items() if units.get(name) == "run" for p in step.parts}
    for one in found:
        if one.path not in of_tables:
            raise DamageError(
                damaged(store.folder / one.path, one.why).what + "; the samples it was made from were dropped",
                where=store.folder / one.path,
                do_next="rebuild it from the logs: benchpipe ingest RUN --again, then benchpipe nightly LAB",
            )


def find_damage(store: RunStore, manifest: Manifest, *, verify: bool = False) -> list[Damage]:
    """Parts that are not what was written: by name, size and time, and by hash where that says nothing.

    Parameters
    ----------
    verify : bool
        By hash, all of them.

    Raises
    ------
    StoreError
        The store cannot be read now.
    """
    parts = {part.path: part for part in manifest.parts()}
    if not parts:
        return []
    try:
        written = store.storage.list(store.run)[MANIFEST].modified_ns
        there = {table: store.storage.list(f"{store.run}/{table}") for table in {part.table for part in parts.values()}}
    except (OSError, KeyError) as error:
        why = getattr(error, "strerror", "the manifest is missing")
        raise StoreError(f"the store cannot be read: {why}", where=store.folder) from None
    found, newest = [], written
    for path, part in parts.items():
        entry = there[part.table].get(path.rpartition("/")[2]) or store.storage.confirm(f"{store.run}/{path}")
        why = None if entry is None else _why(store, part, entry, verify or entry.modified_ns > written)
        newest = max(newest, 0 if entry is None else entry.modified_ns)
        if entry is None or why:
            found.append(Damage(path, why or "it is missing"))
    if newest > written and not found:  # looked at, and sound: not again tomorrow
        store.storage.looked_at(store.run, newest)
    return found


def _why(store: RunStore, part: Part, entry: StoredFile, by_hash: bool) -> str:
    """What is wrong with a part; empty where nothing is."""
    if entry.size != part.bytes:
        return f"{entry.size} bytes instead of {part.bytes}"
    try:
        sound = not by_hash or store.storage.stat_and_hash(f"{store.run}/{part.path}", part.bytes)[1] == part.sha256
    except OSError as error:
        told = unread(store.folder / part.path, error)
        if not isinstance(told, DamageError):
            raise told from None
        return str(error.strerror)
    return "" if sound else "its bytes are not those that were written"


def without(manifest: Manifest, lost: set[str], units: Units) -> Manifest:
    """A manifest without lost parts and what depends on them.

    A log's record stays: what was taken is known by it, though its part must be made again. Of the
    blocks only those go that lost a part.
    """
    steps: dict[str, Step] = {}
    for name, step in manifest.steps.items():
        kept = tuple(part for part in step.parts if part.path not in lost)
        if len(kept) == len(step.parts):
            steps[name] = step
        elif units.get(name) == "log":
            steps[name] = step.model_copy(update={"parts": kept})
        elif units.get(name) == "block":
            state = {block: known for block, known in step.state.items() if not lost & named_parts(known)}
            steps[name] = step.model_copy(update={"key": "", "parts": kept, "state": state})
    return manifest if steps == manifest.steps else manifest.model_copy(update={"steps": steps})


def set_aside(store: RunStore, damage: Damage) -> None:
    """Move a damaged file into the quarantine folder, with a note of what is wrong with it."""
    kept = _noted(store, damage)
    with told_as_store_error(store.folder / QUARANTINE), suppress(FileNotFoundError):
        store.storage.move(f"{store.run}/{damage.path}", kept)


def _noted(store: RunStore, damage: Damage) -> str:
    """Write the note of a damage, and say where its file goes.

    A note serves again where its file never came (a job was killed), and for a file that is missing
    since it was set aside.
    """
    notes = _notes(store)
    folder, files = f"{store.run}/{QUARANTINE}", store.storage
    for note in notes:
        again = not files.exists(f"{folder}/{note['kept_as']}") or not files.exists(f"{store.run}/{damage.path}")
        if note["path"] == damage.path and again:
            return f"{folder}/{note['kept_as']}"
    number = 1 + max((int(name[:4]) for name in files.list(folder) if re.match("[0-9]{4}", name)), default=0)
    kept = f"{number:04d}-{damage.path.replace('/', '-')}"
    note = {
        "path": damage.path, "why": damage.why, "kept_as": kept,
        "found": datetime.now(UTC).isoformat(sep=" ", timespec="seconds"),
    }  # fmt: skip
    files.keep(f"{folder}/{number:04d}.json", json.dumps(note, indent=1).encode())
    return f"{folder}/{kept}"


def _notes(store: RunStore) -> list[dict[str, Any]]:
    notes = []
    for path in sorted((store.folder / QUARANTINE).glob("[0-9]*.json")):
        with suppress(OSError, ValueError):
            note = json.loads(path.read_bytes())
            if isinstance(note, dict) and {"path", "why", "kept_as", "found"} <= note.keys():
                notes.append(note)
    return notes


def damage_remarks(store: RunStore) -> list[Remark]:
    """Files in the quarantine folder: reported until a person has looked at them and removed them."""
    notes = _notes(store)
    if not notes:
        return []
    last = notes[-1]
    text = (
        f"{len(notes)} file(s) of the store were damaged or missing, and their rows were rebuilt; the last: "
        f"{last['path']} on {last['found'][:10]} ({last['why']}). The damaged files are kept in "
        f"{spelled(str(store.folder / QUARANTINE))}: look at the disk, then remove that folder"
    )
    return [Remark(step="ingest", code="damaged", where="store", count=len(notes), text=text)]


def _restored(store: RunStore, error: DamageError) -> tuple[Manifest, tuple[Damage, ...]]:
    """Put the newest sound copy in the place of a damaged manifest; without one, start from nothing.

    Parts that the copy does not name are set aside, not removed: what they were made from may be gone.
    """
    why = error.what.partition(": ")[2]
    damage = [Damage(MANIFEST, why)]
    for copy in reversed(store.history()):
        try:
            data = copy.read_bytes()
            manifest = store.proven(data)
        except DamageError:
            damage.append(Damage(f"{HISTORY}/{copy.name}", "it is not the document that was written"))
            continue
        except OSError as cause:
            raise unread(copy, cause) from None
        break
    else:
        return _begun_anew(store, why)
    named = {part.path for part in manifest.parts()}
    damage += [Damage(path, "the copy of the manifest does not name it") for path in _parts_there(store) - named]
    kept = _noted(store, damage[0])
    with suppress(FileNotFoundError):
        data_there = store.storage.read(f"{store.run}/{MANIFEST}").data
        store.storage.keep(kept, data_there)  # copied: there is no moment without one
    for one in damage[1:]:
        set_aside(store, one)
    store.storage.keep(f"{store.run}/{MANIFEST}", data)
    return manifest, tuple(damage)


def _begun_anew(store: RunStore, why: str) -> tuple[Manifest, tuple[Damage, ...]]:
    """Set aside all of a run: no manifest of it is sound."""
    damage = [Damage(name, f"no copy of the manifest is sound ({why})") for name in (*store.tables, HISTORY, MANIFEST)]
    there = [one for one in damage if store.storage.exists(f"{store.run}/{one.path}")]
    for one in there:
        set_aside(store, one)
    return store.manifest(), tuple(there)


def _parts_there(store: RunStore) -> set[str]:
    files = ((table, name) for table in store.tables for name in store.storage.list(f"{store.run}/{table}"))
    return {f"{table}/{name}" for table, name in files if name.endswith(".parquet")}


def beyond_repair(log: Path, what: str, damage: Damage, store: RunStore) -> StoreError:
    """The error for a log that is not there any more to rebuild a damaged part."""
    error = damaged(store.folder / damage.path, damage.why)
    return StoreError(
        f"{error.what}, and the log it was made from {what}",
        where=store.folder / damage.path,
        expected=f"the log as it was taken: {log}",
        do_next="put the log back; or go on with what there is: benchpipe ingest RUN --again",
    )
