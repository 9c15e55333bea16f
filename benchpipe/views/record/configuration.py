"""Configuration files that a record shows and carries. The one place that says where they are taken from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from benchpipe.errors import ConfigError
from benchpipe.run import RunConfig
from benchpipe.store.configuration import files_of_state, read_file
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


@dataclass(frozen=True)
class ConfigFile:
    """A configuration file: what it is (``plan``, ``rig``, ``limits``, ``lab``), its name, and its bytes."""

    what: str
    name: str
    data: bytes

    @property
    def values(self) -> dict[str, Any]:
        """Its values as they are written in it; the file was read as TOML before."""
        return tomllib.loads(self.data.decode())


def configuration_files(run: RunConfig, store: RunStore, manifest: Manifest) -> tuple[ConfigFile, ...]:
    """Plan, rig, limit and lab files of a state as the store keeps them; of an older version's state those on the disk.

    Raises
    ------
    ConfigError
        One on the disk cannot be read.
    DamageError
        One in the store is missing, or not what was written.
    """
    kept = files_of_state(store.folder, manifest)
    if kept:
        return tuple(ConfigFile(one.role, PurePath(one.name).name, read_file(store.folder, one)) for one in kept)
    paths = [("plan", run.plan_path), ("rig", run.rig_path), *(("limits", one.file.path) for one in run.limits)]
    return tuple(ConfigFile(what, path.name, _bytes(path)) for what, path in paths)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConfigError(f"the file cannot be read: {error.strerror}", where=path) from None
