"""One job at a time on a store. The kernel releases the lock when a job dies."""

from __future__ import annotations

import json
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from benchpipe.errors import StoreBusyError, StoreError
from benchpipe.mirrors import mirror_over
from benchpipe.store.files import make_folder, remove_unfinished, told_as_store_error
from benchpipe.store.night_notes import NIGHTS
from benchpipe.store.open_storage import pulled, storage_of
from benchpipe.store.refusals import refused

LOCK = ".lock"
HOLDER = ".holder.json"


@contextmanager
def hold_store(store: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the store for this job. What killed jobs left half-written beside the runs is removed.

    Raises
    ------
    StoreBusyError
        Another job holds it and did not leave within ``wait_s``.
    StoreError
        The folder cannot be made, or no file in it.
    """
    from filelock import FileLock, Timeout

    if store.is_symlink() and not store.exists():
        raise StoreError(
            "the store's path is a link that leads nowhere", where=store, got=str(store.readlink()),
            do_next="mount or make the folder it leads to, or choose another store",
        )  # fmt: skip
    with refused(store, "choose another store") if mirror_over(store) is None else told_as_store_error(store):
        make_folder(store)
        os.close(os.open(store / LOCK, os.O_RDWR | os.O_CREAT, 0o644))  # where no file can be, no job holds it
        lock = FileLock(store / LOCK, timeout=wait_s)
        try:
            lock.acquire()
        except Timeout:
            raise StoreBusyError(
                f"another job holds the store{_holder(store)}",
                where=store,
                do_next="wait for it to end, or give --wait SECONDS",
            ) from None
    try:
        since = time.strftime("%Y-%m-%d %H:%M:%S")
        with suppress(OSError):
            holder = {"pid": os.getpid(), "host": socket.gethostname(), "since": since}
            (store / HOLDER).write_text(json.dumps(holder), encoding="utf-8")
        for folder in (store, store / NIGHTS):
            remove_unfinished(folder)
        storage_of(store).forget()
        pulled(store)
        yield
        storage_of(store).trim()
    finally:
        with suppress(OSError):
            (store / HOLDER).unlink()
        lock.release()


def _holder(store: Path) -> str:
    try:
        holder = json.loads((store / HOLDER).read_text(encoding="utf-8"))
        return f": process {holder['pid']} on {holder['host']}, since {holder['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return ""
