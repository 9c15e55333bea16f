"""Commit a run on an object store: its parts, the copy of its manifest, then the manifest by condition.

Killed between any two requests the run is in the state before, or in the one after. What was added and never counted
is removed when it is a day older than the newest object of the run, both by the clock of the object store: so no
work of a job that is still at it goes.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import TYPE_CHECKING

from benchpipe.errors import StoreError
from benchpipe.store.copies import HISTORY, MANIFEST, history_name, keeps
from benchpipe.store.files import sha256_of
from benchpipe.store.folder_storage import changed_meanwhile
from benchpipe.store.manifest import Part
from benchpipe.store.object_client import TagChangedError
from benchpipe.store.refusals import damaged
from benchpipe.store.storage import RunChange, StoredFile, Tagged

if TYPE_CHECKING:
    from benchpipe.store.mirror import Mirror

AT_ONCE = 4  # parts that are sent side by side
ORPHAN_NS = 24 * 3600 * 10**9  # a night takes less; common practice, no source


def commit(mirror: Mirror, change: RunChange) -> None:
    """Commit a run.

    Raises
    ------
    StoreBusyError
        Another job has committed it since this one read it.
    StoreError
        No answer, and the run is in the state before as far as can be known.
    """
    run = change.after.run
    mirror.pull(run)
    if change.before.sequence + 1 != change.after.sequence:  # this job's state is not the one that was pulled
        raise changed_meanwhile(mirror.folder / run)
    _add_parts(mirror, change)
    name = f"{run}/{MANIFEST}"
    copy = f"{run}/{HISTORY}/{history_name(change.after.sequence)}"
    _add_copy(mirror, change, copy)
    try:
        tag = mirror.requests.put_if(name, change.document, change.tag)
    except TagChangedError:
        _mend_copy(mirror, name, copy)
        mirror.forget(run)
        raise changed_meanwhile(mirror.folder / run) from None
    _keep_copy(mirror, copy, change.document)
    mirror.wrote(name, Tagged(change.document, tag))
    with suppress(StoreError):  # it is committed: what cannot be removed now is an orphan
        mirror.remove(_not_needed(mirror, change))


def _add_parts(mirror: Mirror, change: RunChange) -> None:
    """Store the parts that are new; one that is named already is there."""
    run = change.after.run
    before = {part.path for part in change.before.parts()}
    new: list[tuple[str, Part]] = []
    for part in change.after.parts():
        name = f"{run}/{part.path}"
        if part.path in before or name in mirror.sent:
            continue
        if (mirror.folder / name).exists():
            new.append((name, part))
        elif name not in mirror.known[run] or mirror.known[run][name].size != part.bytes:
            raise damaged(mirror.folder / name, "it is missing")
    with ThreadPoolExecutor(AT_ONCE) as threads:
        tags = list(threads.map(lambda one: _sent(mirror, *one), new))
    for (name, part), tag in zip(new, tags, strict=True):
        mirror.sent.add(name)
        mirror.known[run][name] = StoredFile(part.bytes, 0, tag)


def _sent(mirror: Mirror, name: str, part: Part) -> str:
    """Send a part; its disk may have changed it since it was written."""
    path = mirror.folder / name
    if sha256_of(path) != part.sha256:
        path.unlink(missing_ok=True)
        raise damaged(path, "its bytes are not those that were written")
    return mirror.requests.put(name, path)


def _add_copy(mirror: Mirror, change: RunChange, copy: str) -> None:
    """Store the copy of a manifest. One that never counted gives way; one that counts means that this job is late."""
    run = change.after.run
    try:
        tag = mirror.requests.put_if(copy, change.document, None)
    except TagChangedError:
        there = mirror.requests.get(copy)
        current = mirror.requests.head(f"{run}/{MANIFEST}")
        if (current.tag if current is not None else None) != change.tag:
            mirror.forget(run)
            raise changed_meanwhile(mirror.folder / run) from None
        try:
            tag = mirror.requests.put_if(copy, change.document, there.tag)
        except TagChangedError:
            mirror.forget(run)
            raise changed_meanwhile(mirror.folder / run) from None
    mirror.known[run][copy] = StoredFile(len(change.document), 0, tag)


def _keep_copy(mirror: Mirror, copy: str, document: bytes) -> None:
    """Have the copy of what counts now; a job that came too late may have put its own there before it noticed."""
    run = copy.partition("/")[0]
    tag = mirror.known[run][copy].tag
    there = mirror.requests.head(copy)
    if there is None or there.tag != tag:
        tag = mirror.requests.put(copy, document)
    mirror.wrote(copy, Tagged(document, tag))


def _mend_copy(mirror: Mirror, name: str, copy: str) -> None:
    """Put the winner's manifest back where this job's copy has taken the place of the winner's."""
    with suppress(FileNotFoundError, TagChangedError, StoreError):
        winner, there = mirror.requests.get(name), mirror.requests.get(copy)
        number = int(copy.rpartition("/")[2].removesuffix(".json"))
        if winner.data != there.data and f'"sequence": {number},'.encode() in winner.data:
            mirror.requests.put_if(copy, winner.data, there.tag)


def _not_needed(mirror: Mirror, change: RunChange) -> list[str]:
    """What the manifest before named and this one does not; copies that are too old; and orphans."""
    run = change.after.run
    objects = mirror.known[run]
    now = {f"{run}/{part.path}" for part in change.after.parts()}
    gone = {f"{run}/{part.path}" for part in change.before.parts()} - now
    newest = history_name(change.after.sequence)
    copies = [one for one in objects if one.startswith(f"{run}/{HISTORY}/")]
    gone |= {one for one in copies if (last := one.rpartition("/")[2]) < newest and not keeps(change.after, last)}
    clock = max((entry.modified_ns for entry in objects.values()), default=0)
    orphans = {
        name for name, entry in objects.items()
        if name.endswith(".parquet") and "/quarantine/" not in name and name not in now and entry.modified_ns
        and entry.modified_ns < clock - ORPHAN_NS
    }  # fmt: skip
    return sorted((gone & set(objects)) | orphans)


