"""Which reader takes which format: one table row a format."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from importlib.metadata import entry_points
from pathlib import Path
from typing import IO

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.ingest.batch import RawBatch, Reader

# format → module and function; modules are imported when a log needs them
READERS: dict[str, tuple[str, str]] = {
    "text": ("benchpipe.ingest.text", "read_text"),
    "parquet": ("benchpipe.ingest.tabular", "read_parquet"),
    "matlab": ("benchpipe.ingest.matlab", "read_matlab"),
}
ENTRY_POINTS = "benchpipe.readers"


def find_reader(name: str) -> Reader:
    """Return the reader of a format: one of ours, or one that an installed package adds.

    Raises
    ------
    ConfigError
        No such format.
    """
    if name in READERS:
        module, function = READERS[name]
        reader: Reader = getattr(import_module(module), function)
        return reader
    plugins = {point.name: point for point in entry_points(group=ENTRY_POINTS)}
    if name not in plugins:
        raise ConfigError(f"unknown log format '{name}'", expected=nearest(name, [*READERS, *plugins]))
    plugin: Reader = plugins[name].load()
    return plugin


def read_log(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a log with the reader its rig file names."""
    return find_reader(rig.log.format)(path, file, rig)
