"""A store on an object store, and its mirror: a folder of this machine that looks like a store in a folder.

Small files (manifests, notes, the ledger) are *pulled*: one listing a run says which have changed. Parts are fetched
when they are read, and verified against their hash. What is written goes to the object store first, and by condition
where others may write it too: the tag of the state that was pulled is named, never a newer one.
"""

from __future__ import annotations

import errno
import hashlib
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

from benchpipe.errors import StoreBusyError, StoreError
from benchpipe.store.cache import forget_parts, limit_bytes, trim
from benchpipe.store.copies import HISTORY
from benchpipe.store.files import finish, unfinished, write_whole
from benchpipe.store.manifest import Part
from benchpipe.store.mirror_notes import Pulled, cut_note, note_pieces
from benchpipe.store.night_notes import BY_RUN, NIGHTS, put_together
from benchpipe.store.object_client import NoAnswerError, TagChangedError
from benchpipe.store.object_commit import commit
from benchpipe.store.object_probe import must_have_conditions
from benchpipe.store.object_requests import Requests
from benchpipe.store.refusals import damaged
from benchpipe.store.storage import RunChange, StoredFile, Tagged

FOLDERS = (HISTORY, "configuration", "quarantine")  # of small files, in the folder of a run
AT_ONCE = 8  # requests side by side
GONE_S = 10.0  # after a run that got no answer the next ones are not tried: a night of many would last for hours
IN_USE_S = 600.0  # a part that was fetched or read since may be read at this moment
Objects = dict[str, StoredFile]


class Mirror:
    """A store on an object store.

    Parameters
    ----------
    folder : Path
        The mirror. One job at a time writes there, and holds its lock.
    requests : Requests
    """

    def __init__(self, folder: Path, requests: Requests) -> None:
        self.folder = folder
        self.requests = requests
        self.known: dict[str, Objects] = {}  # by run: its objects, by whole names, as they were pulled or written since
        self.sent: set[str] = set()  # parts that this process has stored
        self._runs: frozenset[str] = frozenset()
        self._data: dict[str, dict[str, bytes]] = {}  # small files as they were pulled, which a reader beside us may
        # pull again: a write by condition goes from these
        self._fetched = 0
        self._gone: NoAnswerError | None = None
        self._gone_until = 0.0

    # --- pull -----------------------------------------------------------------------------------------------

    def pull(self, run: str = "", *, every: bool = False) -> None:
        """Have the small files of a run, or of the store itself (``""``), in the mirror."""
        if run in self.known and not every:
            return
        if self._gone is not None and time.monotonic() < self._gone_until:
            raise self._gone
        try:
            self._pull(run, every=every)
        except NoAnswerError as error:
            self._gone, self._gone_until = error, time.monotonic() + GONE_S
            raise
        self._gone = None

    def _pull(self, run: str, *, every: bool) -> None:
        seen = Pulled.read(self.folder, run)
        before = set(seen.rows)
        if run:
            objects = self.requests.list(run)
        else:
            objects, self._runs = self.requests.top()
            objects |= self.requests.list(NIGHTS)
        small = {name: entry for name, entry in objects.items() if _small(name)}
        data = {} if every else {name: self._here(name, entry, seen) for name, entry in small.items()}
        wanted = [name for name in small if data.get(name) is None]
        for name, found in zip(wanted, self._several(self._got, wanted), strict=True):
            if found is None:
                del objects[name], small[name]
            else:
                objects[name] = objects[name]._replace(tag=found.tag)
                data[name] = found.data
                write_whole(self.folder / name, found.data)
                seen.note(name, found)
        self._drop_vanished(run, before, set(small))
        seen.write(small)
        self.known[run] = objects
        self._data[run] = {name: one for name, one in data.items() if name in small and one is not None}
        if not run:
            self._join_notes(objects)

    def forget(self, run: str | None = None) -> None:
        """Pull again when it is next asked for."""
        for one in [run] if run is not None else list(self.known):
            self.known.pop(one, None)
            self._data.pop(one, None)

    def _here(self, name: str, entry: StoredFile, seen: Pulled) -> bytes | None:
        """Bytes of a small file that is in the mirror as it is in the store."""
        path = self.folder / name
        with suppress(OSError):
            if seen.tag(name) == entry.tag:
                data = path.read_bytes()
                return data if hashlib.sha256(data).hexdigest() == seen.sha256(name) else None
        return None

    def _got(self, name: str) -> Tagged | None:
        try:
            return self.requests.get(name)
        except FileNotFoundError:  # removed since it was listed
            return None

    def _drop_vanished(self, run: str, known: set[str], here: set[str]) -> None:
        """Remove from the mirror what is not in the store any more; parts are the business of ``clean``.

        Only what was pulled before the listing began can have vanished: a job beside this one may have written since.
        """
        for name in (known or self._small_files(run)) - here:
            (self.folder / name).unlink(missing_ok=True)
        for folder in [*(self.folder / run / one for one in FOLDERS), self.folder / run] if run else []:
            with suppress(OSError):
                folder.rmdir()

    def _small_files(self, run: str) -> set[str]:
        """Small files that are in the mirror, whatever is known of them."""
        top = self.folder / run
        nights = top / NIGHTS
        folders = [top, *(top / one for one in FOLDERS)] if run else [top, nights, *nights.glob("*")]
        joined = {nights / f"{note}.json" for note in BY_RUN}
        paths = [path for folder in folders if folder.is_dir() for path in folder.iterdir() if path.is_file()]
        names = {p.relative_to(self.folder).as_posix() for p in paths if p not in joined and not p.name.startswith(".")}
        return {name for name in names if _small(name)}

    def _join_notes(self, objects: Objects) -> None:
        for note, pieces in note_pieces(self.folder, objects).items():
            whole = self.folder / NIGHTS / f"{note}.json"
            data = put_together(note, pieces)
            if pieces and (not whole.exists() or whole.read_bytes() != data):
                write_whole(whole, data)
            elif not pieces:
                whole.unlink(missing_ok=True)

    def _several(self, function: Callable[[str], Tagged | None], names: list[str]) -> list[Tagged | None]:
        if len(names) < 3:
            return [function(name) for name in names]
        with ThreadPoolExecutor(AT_ONCE) as threads:
            return list(threads.map(function, names))

    # --- small files ----------------------------------------------------------------------------------------

    def read(self, name: str) -> Tagged:
        """A small file as it was pulled."""
        run = _run_of(name)
        self.pull(run)
        entry = self.known[run].get(name)
        if entry is None:
            raise FileNotFoundError(errno.ENOENT, "it is missing", f"{self.requests.address}/{name}")
        return Tagged(self._data[run].get(name) or (self.folder / name).read_bytes(), entry.tag)

    def keep(self, name: str, data: bytes) -> None:
        """Write a small file, if it is in the state that was pulled; of a note of nights the runs that changed."""
        run = _run_of(name)
        self.pull(run)
        pieces = cut_note(name, data)
        if pieces is None:
            self.replace(name, data)
        else:
            folder = name.removesuffix(".json")
            there = {one for one in self.known[run] if one.startswith(f"{folder}/")}
            for one, piece in pieces.items():
                path = self.folder / folder / f"{one}.json"
                if not path.exists() or path.read_bytes() != piece:
                    self.put(f"{folder}/{one}.json", piece)
            self.remove(there - {f"{folder}/{one}.json" for one in pieces})
            write_whole(self.folder / name, data)

    def replace(self, name: str, data: bytes) -> None:
        """Write a file by condition: here too, once it is there."""
        run = _run_of(name)
        before = self.known[run].get(name)
        try:
            tag = self.requests.put_if(name, data, before.tag if before is not None else None)
        except TagChangedError:
            self.forget(run)
            raise StoreBusyError(
                "another job has written it meanwhile, and nothing of this job's was written over it",
                where=f"{self.requests.address}/{name}", do_next="run again",
            ) from None  # fmt: skip
        self.wrote(name, Tagged(data, tag))

    def put(self, name: str, data: bytes) -> None:
        """Write a file without a condition: here too, once it is there."""
        self.wrote(name, Tagged(data, self.requests.put(name, data)))

    def wrote(self, name: str, now: Tagged) -> None:
        """Note a small file that was stored, and have it here."""
        run = _run_of(name)
        write_whole(self.folder / name, now.data)
        self.known[run][name] = StoredFile(len(now.data), 0, now.tag)
        self._data[run][name] = now.data
        seen = Pulled.read(self.folder, run)
        seen.note(name, now)
        seen.write()

    # --- runs -----------------------------------------------------------------------------------------------

    def commit(self, change: RunChange) -> None:
        """Add the new parts, then the copy, then replace the manifest by condition; then remove what it replaced."""
        commit(self, change)

    def list(self, folder: str) -> Mapping[str, StoredFile]:
        """Files right in a folder of a run, as they were pulled."""
        self.pull(_run_of(f"{folder}/"))
        start = f"{folder}/"
        objects = self.known[_run_of(start)]
        below = {name.removeprefix(start): entry for name, entry in objects.items() if name.startswith(start)}
        return {name: entry for name, entry in below.items() if "/" not in name}

    def exists(self, name: str) -> bool:
        """Whether there is such a file, or one below that name, as they were pulled."""
        run = _run_of(f"{name}/")
        self.pull(run)
        return any(one == name or one.startswith(f"{name}/") for one in self.known[run])

    def confirm(self, name: str) -> StoredFile | None:
        """A file that the listing does not have: a long listing may be older than the manifest that came with it."""
        return self.requests.head(name)

    def runs(self) -> frozenset[str]:
        """Folders of runs, as they were pulled."""
        self.pull()
        return frozenset(one for one in self._runs if not one.startswith("."))

    def fetch(self, run: str, part: Part, *, again: bool = False) -> Path:
        """Path of a part in the mirror, fetched and verified where it is not there."""
        path = self.folder / run / part.path
        with suppress(FileNotFoundError):
            if not again and path.stat().st_size == part.bytes:
                return path
        name = f"{run}/{part.path}"
        try:
            sha, size = self._fetched_whole(name)
        except FileNotFoundError:
            raise damaged(path, "it is missing") from None
        if (size, sha) != (part.bytes, part.sha256):
            path.unlink(missing_ok=True)
            sized = size == part.bytes
            why = "its bytes are not those that were written" if sized else f"{size} bytes instead of {part.bytes}"
            raise damaged(path, why)
        return path

    def _fetched_whole(self, name: str) -> tuple[str, int]:
        """Write an object into the mirror; where the disk is full, parts that can be fetched again give way once."""
        try:
            return self._streamed(name)
        except StoreError as error:
            full = isinstance(error.__cause__, OSError) and error.__cause__.errno in (errno.ENOSPC, errno.EDQUOT)
            if not full or not forget_parts(self.folder, self._is_stored):
                raise
        return self._streamed(name)

    def _streamed(self, name: str) -> tuple[str, int]:
        path = self.folder / name
        with unfinished(path.parent) as file:
            for piece in self.requests.stream(name):
                file.write(piece)
            finish(file, path.name)
        self._fetched += file.size
        if self._fetched > limit_bytes() // 8:
            self._fetched = 0
            trim(self.folder.parent, limit_bytes(), self._is_stored, unread_s=IN_USE_S)
        return file.sha256, file.size

    def _is_stored(self, path: Path) -> bool:
        """Whether a file of the mirror can be fetched again, as far as this process knows."""
        if not path.is_relative_to(self.folder):
            return False
        name = path.relative_to(self.folder).as_posix()
        return name in self.known.get(_run_of(name), {}) or name in self.sent

    def stat_and_hash(self, name: str, size: int) -> tuple[int, str]:
        """Bytes and hash of an object as it is there now."""
        found, sha = 0, hashlib.sha256()
        entry = self.requests.head(name)
        if entry is None:
            raise FileNotFoundError(errno.ENOENT, "it is missing", f"{self.requests.address}/{name}")
        if entry.size != size:
            return entry.size, ""
        for piece in self.requests.stream(name):
            found += len(piece)
            sha.update(piece)
        return found, sha.hexdigest()

    def looked_at(self, run: str, newest_ns: int) -> None:
        """Nothing: an object's time cannot be set. What is newer than the manifest is read again each night."""

    def move(self, name: str, to: str) -> None:
        """Copy, then remove: killed between, both are there."""
        run = _run_of(f"{name}/")
        self.pull(run)
        names = [one for one in self.known[run] if one == name or one.startswith(f"{name}/")]
        if not names:
            raise FileNotFoundError(errno.ENOENT, "it is missing", f"{self.requests.address}/{name}")
        for one in names:
            target = to + one[len(name) :]
            self.requests.copy(one, target)
            self.known[run][target] = self.known[run][one]
        self.remove(names)

    def remove(self, names: Iterable[str]) -> None:
        """Remove files, there and here."""
        gone = list(names)
        self.requests.delete(gone)
        for name in gone:
            self.known.get(_run_of(name), {}).pop(name, None)
            (self.folder / name).unlink(missing_ok=True)
            self.sent.discard(name)
            self._data.get(_run_of(name), {}).pop(name, None)

    def fetch_all(self, run: str) -> None:
        """Have every object of a run in the mirror; whoever reads them verifies them."""
        self.pull(run)
        for name, entry in self.known[run].items():
            path = self.folder / name
            if not path.exists() or path.stat().st_size != entry.size:
                self._fetched_whole(name)

    def send_all(self, run: str, names: Iterable[str]) -> None:
        """Store files of the mirror, in this order; the manifest only if there is none."""
        self.pull(run)
        for name in names:
            path = self.folder / run / name
            if _small(f"{run}/{name}"):
                self.replace(f"{run}/{name}", path.read_bytes())
            else:
                self.requests.put(f"{run}/{name}", path)
                self.sent.add(f"{run}/{name}")
                self.known[run][f"{run}/{name}"] = StoredFile(path.stat().st_size, 0, "")

    def must_have_conditions(self) -> None:
        """Try once whether a write by condition is refused where the condition does not hold."""
        must_have_conditions(self.requests)

    def trim(self) -> None:
        """Remove parts of the mirrors over the limit, the longest unread first; the caller holds this store."""
        trim(self.folder.parent, limit_bytes(), lambda path: path.is_relative_to(self.folder))


def _run_of(name: str) -> str:
    """The run that a name is of; ``""`` for what is of the store itself."""
    first, slash, _ = name.partition("/")
    return first if slash and first != NIGHTS else ""


def _small(name: str) -> bool:
    """Whether a file is pulled: not a part of a table, or one that was set aside."""
    return not name.endswith(".parquet")
