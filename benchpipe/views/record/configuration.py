"""Configuration files that a record shows and carries. The one place that says where they are taken from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchpipe.errors import ConfigError
from benchpipe.run import RunConfig


@dataclass(frozen=True)
class ConfigFile:
    """A configuration file: what it is (``plan``, ``rig``, ``limits``), its name, and its bytes."""

    what: str
    name: str
    data: bytes

    @property
    def values(self) -> dict[str, Any]:
        """Its values as they are written in it; the file was read as TOML before."""
        return tomllib.loads(self.data.decode())


def configuration_files(run: RunConfig) -> tuple[ConfigFile, ...]:
    """Plan, rig and limit files of a run, as they are on the disk.

    Raises
    ------
    ConfigError
        One of them cannot be read.
    """
    paths = [("plan", run.plan_path), ("rig", run.rig_path), *(("limits", one.file.path) for one in run.limits)]
    return tuple(ConfigFile(what, path.name, _bytes(path)) for what, path in paths)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConfigError(f"the file cannot be read: {error.strerror}", where=path) from None
