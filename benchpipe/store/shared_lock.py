"""Several jobs on one store, each on runs of its own: they share the store's lock and hold each run alone.

A job that needs the whole store waits for all of them, and they for it. The kernel releases the locks of a job that
dies.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from benchpipe.errors import ConfigError, StoreBusyError
from benchpipe.store.files import make_folder
from benchpipe.store.lock import LOCK
from benchpipe.store.notes import NIGHTS
from benchpipe.store.refusals import refused

LOCKS = f"{NIGHTS}/locks"
NOTES_LOCK = f"{LOCKS}/notes"
LOOK_S = 0.1


@contextmanager
def share_store(store: Path, runs: Sequence[str], *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold some runs of a store for this job; others may hold other runs.

    Raises
    ------
    StoreBusyError
        Another job holds the store, or one of the runs, and did not leave within ``wait_s``.
    ConfigError
        The system has no locks that can be shared.
    StoreError
        The folder cannot be made, or no file in it.
    """
    end = time.monotonic() + wait_s
    with ExitStack() as held:
        with refused(store, "choose another store"):
            make_folder(store / LOCKS)
        held.enter_context(_locked(store / LOCK, end, store, "another job holds the store", shared=True))
        for run in sorted(runs):
            name = hashlib.sha256(run.encode()).hexdigest()[:24]
            held.enter_context(_locked(store / LOCKS / name, end, store, f"another job works on the run '{run}'"))
        yield


@contextmanager
def hold_notes(store: Path, *, wait_s: float = 600.0) -> Iterator[None]:
    """Hold what nights keep for the next, for the moment in which it is read and written again."""
    with _locked(store / NOTES_LOCK, time.monotonic() + wait_s, store, "another job writes the notes of the store"):
        yield


@contextmanager
def _locked(path: Path, end: float, store: Path, why: str, *, shared: bool = False) -> Iterator[None]:
    if sys.platform == "win32":
        raise ConfigError(
            "locks that are shared are not there on this system", do_next="run nightly without --shard here"
        )
    import fcntl

    with refused(store, "choose another store"):
        number = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        while True:
            try:
                fcntl.flock(number, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
                break
            except OSError:
                if time.monotonic() >= end:
                    raise StoreBusyError(
                        why, where=store, do_next="wait for it to end, or give --wait SECONDS"
                    ) from None
                time.sleep(LOOK_S)
        yield
    finally:
        os.close(number)
