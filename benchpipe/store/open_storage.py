"""The storage of a store is opened here, by its address; its small files and parts are read and written through it."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from benchpipe.mirrors import address_of, mirror_over
from benchpipe.store.files import write_whole
from benchpipe.store.folder_storage import FolderStorage
from benchpipe.store.manifest import Part
from benchpipe.store.storage import Storage


@lru_cache(maxsize=64)
def storage_of(store: Path) -> Storage:
    """Where the files of a store are. A connection is opened once in a process, when it is first used.

    Parameters
    ----------
    store : Path
        The folder of the store, or the mirror of one on an object store.
    """
    address = address_of(store)
    if address is None:
        return FolderStorage(store)
    from benchpipe.store.mirror import Mirror
    from benchpipe.store.object_client import open_client
    from benchpipe.store.object_requests import Requests

    return Mirror(store, Requests(open_client(address), address))


def read_file(path: Path) -> bytes:
    """Bytes of a small file of a store: those that this job has pulled or written, not what one beside it pulled since.

    Raises
    ------
    OSError
        It cannot be read.
    """
    store = mirror_over(path)
    return path.read_bytes() if store is None else storage_of(store).read(path.relative_to(store).as_posix()).data


def keep_file(path: Path, data: bytes) -> None:
    """Write a small file of a store whole, where the store keeps its files.

    Raises
    ------
    StoreBusyError
        Another job has written it since it was read (on an object store).
    StoreError
        It cannot be written.
    """
    store = mirror_over(path)
    if store is None:
        write_whole(path, data)
    else:
        storage_of(store).keep(path.relative_to(store).as_posix(), data)


def remove_file(path: Path) -> None:
    """Remove a small file of a store, where the store keeps its files."""
    store = mirror_over(path)
    if store is None:
        path.unlink(missing_ok=True)
    else:
        storage_of(store).remove([path.relative_to(store).as_posix()])


def pulled(folder: Path, *, every: bool = False) -> None:
    """Have the small files of a run's folder, or of a store's, here. Nothing is done for a folder that is a store."""
    store = mirror_over(folder)
    if store is not None:
        storage_of(store).pull("" if folder == store else folder.relative_to(store).parts[0], every=every)


def part_path(run_folder: Path, part: Part, *, again: bool = False) -> Path:
    """Path of a part on this machine; it is fetched where it is elsewhere.

    Raises
    ------
    DamageError
        It is not stored, or is not what was written.
    StoreError
        It cannot be fetched now.
    """
    store = mirror_over(run_folder)
    return run_folder / part.path if store is None else storage_of(store).fetch(run_folder.name, part, again=again)
