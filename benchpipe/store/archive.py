"""Move a run's tables out of the store to an archive, and back.

An archive holds a folder for each run, as it stood in the store, with the SHA-256 of each file in
``SHA256SUMS`` (which ``sha256sum -c`` reads too). Copies are made first and verified against their
hashes; then one rename records where the run is; only then the copied files are removed. Killed at any
moment the run is whole in one of the two places, and the same command goes on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from benchpipe.errors import ConfigError, DamageError, StoreError
from benchpipe.store.archive_note import NOTE, SUMS, Away, must_be_no_archive, read_away, write_away
from benchpipe.store.archived_files import (
    Progress,
    Sums,
    copy_all,
    files_of,
    no_list,
    read_sums,
    remove,
    tidied,
    verify,
    write_sums,
)
from benchpipe.store.configuration import FOLDER
from benchpipe.store.files import sha256_of, sync_folder, told_as_store_error
from benchpipe.store.manifest import Manifest
from benchpipe.store.open_storage import remove_file, storage_of
from benchpipe.store.run_store import HISTORY, MANIFEST, RunStore


def archive_run(
    store: Path, run: str, archive: Path, now: datetime, *, on_progress: Progress | None = None,
    signed: Callable[[RunStore, Manifest], str] = lambda *_: "",
) -> int:  # fmt: skip
    """Move a run from the store to an archive; the caller holds both.

    Parameters
    ----------
    signed : callable
        Says who signed the run off, in a line: that is kept here, with its verdicts.

    Returns
    -------
    int
        Files that are in the archive.

    Raises
    ------
    ConfigError
        There is no such run, it is in another archive, or another run of that name is in this one.
    DamageError
        A file is not what was written. Nothing is moved then.
    """
    here, there = store / run, archive / run
    away = read_away(here)
    if away is not None and away.state == "back":
        _emptied(away.archive / run, here)
        away = None
    if away is None:
        must_be_apart(store, archive)
        sums = _sums_of_store(RunStore(store, run))
        _make_room(there, here, sums)
        copy_all(here, there, sums, on_progress)
        write_sums(there, sums)
        held = RunStore(store, run)
        manifest = held.manifest()
        rows = tuple(_plain(row) for row in held.read(manifest, "verdicts").to_pylist())
        since = now.isoformat(timespec="seconds")
        away = Away("leaving", archive, sha256_of(there / SUMS), since, rows, signed(held, manifest))
        write_away(here, away)
    elif away.archive != archive:
        raise ConfigError(
            f"run '{run}' is in another archive already",
            where=away.archive / run,
            do_next="bring it back first: benchpipe restore RUN",
        )
    sums = _proven_sums(there, away)
    storage_of(store).remove(f"{run}/{name}" for name in sums)
    remove(here, sums)
    return len(sums)


def restore_run(
    store: Path, run: str, archive: Path | None, now: datetime, *, on_progress: Progress | None = None
) -> None:
    """Move a run from its archive back to the store; the caller holds both.

    Parameters
    ----------
    archive : Path, optional
        Where it is, if the store does not know or it was moved since.

    Raises
    ------
    ConfigError
        No archive is known, or the run is in the store.
    DamageError
        The archive is damaged: every file of it that is not what was put there is named. Nothing is changed.
    """
    here = store / run
    away = where_away(here, archive) or _found(here, run, archive, now)
    there = away.archive / run
    if away.state == "leaving":
        sums = _proven_sums(there, away)
        verify(there, sums, on_progress)
        write_away(here, away)
        copy_all(there, here, sums, on_progress)
        storage_of(store).send_all(run, sums)
        write_away(here, away._replace(state="back"))
    _emptied(there, here)


def where_away(here: Path, archive: Path | None) -> Away | None:
    """The note of a run in the store, with the archive that a person named in it where it was moved.

    A note that cannot be read is no hindrance if the archive is named.
    """
    try:
        away = read_away(here)
    except StoreError:
        if archive is None:
            raise
        return None
    return away if away is None or archive is None or away.state == "back" else away._replace(archive=archive)


def _found(here: Path, run: str, archive: Path | None, now: datetime) -> Away:
    """An archive that a person named and the store does not know."""
    if (here / MANIFEST).exists() and not (here / NOTE).exists():
        raise ConfigError(
            f"run '{run}' is in the store: it is not overwritten",
            where=here,
            do_next="to have the archive's state instead, remove that folder from the store, then restore",
        )
    if archive is None:
        raise ConfigError(
            f"the store knows of no archive of run '{run}'", where=here, do_next="name the archive's folder: --from DIR"
        )
    if not (archive / run / SUMS).is_file():
        raise ConfigError(f"there is no archive of run '{run}' there: no {SUMS}", where=archive / run)
    return Away("leaving", archive, sha256_of(archive / run / SUMS), now.isoformat(timespec="seconds"))


def must_be_apart(store: Path, archive: Path) -> None:
    """Refuse an archive that is in the store, or the store in it.

    Raises
    ------
    ConfigError
        It does.
    """
    one, other = store.resolve(), archive.resolve()
    if other.is_relative_to(one) or one.is_relative_to(other):
        raise ConfigError(
            "the archive and the store stand in one another",
            where=archive,
            do_next="name a folder apart from the store",
        )


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """A row as JSON holds it: what is not finite is null."""
    return {key: None if isinstance(v, float) and not math.isfinite(v) else v for key, v in row.items()}


def _sums_of_store(store: RunStore) -> Sums:
    """Hash of every file of a run that is in the store, those of the tables verified against the manifest."""
    must_be_no_archive(store.folder)
    manifest = store.manifest()
    if not (store.folder / MANIFEST).exists():
        raise ConfigError(f"nothing of run '{store.run}' is in the store", where=store.folder)
    store.clean(manifest)
    store.storage.fetch_all(store.run)
    sums = {name: sha256_of(store.folder / name) for name in files_of(store.folder)}
    for name, sha in sums.items():
        if name.startswith(f"{FOLDER}/") and Path(name).stem != sha:
            raise DamageError(
                "a settings file that the store keeps is not what its name says, and a damaged run is not archived",
                where=store.folder / name,
                do_next="see what else is: benchpipe verify RUN; that of now is kept again by: benchpipe nightly LAB",
            )
    for part in manifest.parts():
        if sums.get(part.path) != part.sha256:
            raise DamageError(
                "a file of the store is damaged or missing, and a damaged run is not archived",
                where=store.folder / part.path,
                do_next="let it be made from the logs, then archive: benchpipe nightly LAB",
            )
    return sums


def _make_room(there: Path, here: Path, sums: Sums) -> None:
    """Let an earlier state of this very run go, which a killed job copied and the store never left; no other."""
    if not there.is_dir():
        return
    if (there / SUMS).exists() and read_sums(there) != sums:
        copies = {sha256_of(path) for path in (here / HISTORY).glob("*.json")}
        if read_sums(there)[MANIFEST] not in copies:
            raise ConfigError(
                "another run of that name is in the archive already: it is not overwritten",
                where=there,
                do_next="name another archive folder",
            )
        with told_as_store_error(there):
            (there / SUMS).unlink()
    tidied(there, sums)


def _proven_sums(there: Path, away: Away) -> Sums:
    """The list of an archive, if it is the one that the store knows."""
    sums = read_sums(there)
    if sha256_of(there / SUMS) != away.sums_sha256:
        raise no_list(there)
    return sums


def _emptied(there: Path, here: Path) -> None:
    """Remove an archived run that is in the store again, then the note on it."""
    if (there / SUMS).exists():
        remove(there, read_sums(there))
        with told_as_store_error(there):
            (there / SUMS).unlink()
    with suppress(OSError):
        there.rmdir()
    with told_as_store_error(here):
        remove_file(here / NOTE)
        sync_folder(here)
