"""Settings files of a run in the store: each content once, under its SHA-256, and a list of them for each set.

``configuration/SHA256.toml`` holds one file as it was read (``.json``: sections of the lab file, and the lists). A
manifest names the list that each step was done with. Nothing here is ever removed: they are a few kilobytes a change,
and states that were signed long ago need them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchpipe.config.settings import SettingsFile
from benchpipe.errors import DamageError
from benchpipe.store.manifest import Manifest, canonical
from benchpipe.store.mending import Damage, set_aside
from benchpipe.store.open_storage import keep_file
from benchpipe.store.open_storage import read_file as stored_bytes
from benchpipe.store.run_store import RunStore

FOLDER = "configuration"
LIST_VERSION = 1
ORDER = ("check", "drift", "process", "ingest")  # the step whose files are those of a state: the last that was done


@dataclass(frozen=True)
class Frozen:
    """A settings file that the store keeps: role, name as the plan gives it, SHA-256 and size."""

    role: str
    name: str
    sha256: str
    bytes: int

    @property
    def path(self) -> str:
        """Its file, relative to the run's folder."""
        return f"{FOLDER}/{self.sha256}{'.json' if self.role == 'lab' else '.toml'}"

    @property
    def called(self) -> str:
        """Role and name, for people."""
        return f"{self.role} {self.name}"


def frozen(files: Sequence[SettingsFile]) -> tuple[Frozen, ...]:
    """What the store says of some files."""
    return tuple(Frozen(f.role, f.name, hashlib.sha256(f.data).hexdigest(), len(f.data)) for f in files)


def list_of(files: Sequence[Frozen]) -> bytes:
    """The list of some files, in its one form (canonical JSON)."""
    rows = [{"role": f.role, "name": f.name, "sha256": f.sha256, "bytes": f.bytes} for f in files]
    return canonical({"version": LIST_VERSION, "files": rows})


def list_sha256(files: Sequence[SettingsFile]) -> str:
    """Name of the list of some files."""
    return hashlib.sha256(list_of(frozen(files))).hexdigest()


def list_path(sha256: str) -> str:
    """File of a list, relative to the run's folder."""
    return f"{FOLDER}/{sha256}.json"


def freeze(store: RunStore, files: Sequence[SettingsFile]) -> None:
    """Keep some files and their list in a run's folder, each once; the caller holds the store.

    One that is there and is not what its name says is set aside as evidence, and written again.

    Raises
    ------
    StoreError
        It cannot be written.
    """
    named = frozen(files)
    document = list_of(named)
    contents = {one.path: file.data for one, file in zip(named, files, strict=True)}
    contents[list_path(hashlib.sha256(document).hexdigest())] = document
    for name, data in contents.items():
        path = store.folder / name
        try:
            if stored_bytes(path) == data:
                continue
            set_aside(store, Damage(name, "its bytes are not those that were written"))
        except FileNotFoundError:
            pass
        except OSError as error:
            raise _unread(path, error.strerror) from None
        keep_file(path, data)


def read_list(folder: Path, sha256: str) -> tuple[Frozen, ...]:
    """Files of a list.

    Raises
    ------
    DamageError
        The list is missing, or not what was written.
    """
    path = folder / list_path(sha256)
    try:
        document: Any = json.loads(_proven(path, sha256))
        if document["version"] != LIST_VERSION:
            raise ValueError(f"version {document['version']}")
        return tuple(Frozen(one["role"], one["name"], one["sha256"], one["bytes"]) for one in document["files"])
    except (ValueError, KeyError, TypeError) as error:
        raise _unread(path, f"it is of another version: {error}") from None


def read_file(folder: Path, one: Frozen) -> bytes:
    """Bytes of a settings file.

    Raises
    ------
    DamageError
        It is missing, or not what was written.
    """
    return _proven(folder / one.path, one.sha256)


def files_of_state(folder: Path, manifest: Manifest) -> tuple[Frozen, ...]:
    """Settings files that a state's verdicts were made with (without verdicts: those of its last step); none where an
    older version wrote the state.

    Raises
    ------
    DamageError
        The list is missing, or not what was written.
    """
    used = configuration_of(manifest)
    return read_list(folder, used) if used is not None else ()


def configuration_of(manifest: Manifest) -> str | None:
    """SHA-256 of the list of a state: that of its verdicts, else of its last step; None where there is none."""
    return next((manifest.configuration[step] for step in ORDER if step in manifest.configuration), None)


def _proven(path: Path, sha256: str) -> bytes:
    try:
        data = stored_bytes(path)
    except OSError as error:
        raise _unread(path, error.strerror) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise _unread(path, "its bytes are not those that were written")
    return data


def _unread(path: Path, why: str | None) -> DamageError:
    return DamageError(
        f"a settings file that the store keeps is damaged or missing ({why})", where=path,
        do_next="see what else is: benchpipe verify RUN; that of now is kept again by: benchpipe nightly LAB",
    )  # fmt: skip
