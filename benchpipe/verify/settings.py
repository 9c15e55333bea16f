"""Verify the settings files that a store keeps: each against its name, each list and file that a state names."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from benchpipe.errors import DamageError
from benchpipe.store.configuration import FOLDER, list_path, read_list
from benchpipe.store.files import TEMPORARY
from benchpipe.store.manifest import Manifest
from benchpipe.store.open_storage import read_file
from benchpipe.verify.line import Line, Status
from benchpipe.verify.manifests import Documents

CHANGED_BYTES = "its bytes are not those that its name says"


def settings_lines(folder: Path, found: Documents) -> Iterator[Line]:
    """Settings files that all states of a run name are there, and all that are there are what their names say.

    Parameters
    ----------
    folder : Path
        The run's folder, in the store or in an archive.
    found : Documents
        Its manifests that can be read.
    """
    run, bad = folder.name, False
    there = sorted(path for path in (folder / FOLDER).glob("*") if not path.name.startswith(TEMPORARY))
    wrong = dict(_not_their_names(there))
    for path, line in wrong.items():
        bad = True
        yield Line(line.status, run, path, line.text)
    names = {f"{FOLDER}/{path.name}" for path in there} - wrong.keys()
    documents = [*found.copies.values(), *([found.current] if found.current is not None else [])]
    lists = {used for one in documents for used in _named(one.manifest)}
    for used in sorted(lists):
        for missing in _missing(folder, used, names):
            if missing not in wrong:
                bad = True
                yield Line(Status.CHANGED, run, missing, "it is missing: a state of the run was made with it")
    if found.current is None or bad:
        return
    if not found.current.manifest.configuration:
        yield Line(Status.HOLDS, run, "configuration", "none: an older version wrote the newest state")
    else:
        text = f"{len(there):,} file(s) are what their names say, and {len(lists):,} list(s) are complete"
        yield Line(Status.HOLDS, run, "configuration", text)


def _named(manifest: Manifest) -> set[str]:
    return set(manifest.configuration.values())


def _not_their_names(paths: list[Path]) -> Iterator[tuple[str, Line]]:
    for path in paths:
        name = f"{FOLDER}/{path.name}"
        wrong = settings_fault(path, path.stem)
        if wrong is not None:
            yield name, Line(wrong[0], "", name, wrong[1])


def settings_fault(path: Path, sha256: str) -> tuple[Status, str] | None:
    """What is wrong with a settings file; None where it is what its name says."""
    try:
        same = hashlib.sha256(read_file(path)).hexdigest() == sha256
    except FileNotFoundError:
        return Status.CHANGED, "it is missing"
    except OSError as error:
        return Status.UNKNOWN, f"it cannot be read: {error.strerror}"
    return None if same else (Status.CHANGED, CHANGED_BYTES)


def _missing(folder: Path, used: str, there: set[str]) -> Iterator[str]:
    """Files of a list that are not there; the list itself, if that is not."""
    if list_path(used) not in there:
        yield list_path(used)
        return
    try:
        files = read_list(folder, used)
    except DamageError:  # of a version that is not known: its files are verified by their names
        return
    yield from (one.path for one in files if one.path not in there)
