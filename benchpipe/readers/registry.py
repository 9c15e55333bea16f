"""Which reader takes which format: one table row a format, and what installed packages add.

A package adds a format with an entry point of the group ``benchpipe.readers``::

    [project.entry-points."benchpipe.readers"]
    myformat = "my_package.my_module:read_log"

``read_log(path, file, rig)`` gets the log's path, the log open for reading in binary, and the
:class:`~benchpipe.config.rig.RigConfig`. It gives every row of the log exactly once and in order,
as Arrow record batches (:func:`from_arrow` says which columns) or as
:class:`~benchpipe.readers.batch.RawBatch`. It converts nothing: scale, unit and clock come later.
It runs in the job's own process. One that calls a library which may crash over a damaged file can run it with
:func:`benchpipe.readers.reader_process.stream_apart`, as ours do.
It may say for the inspection of logs which are its own, and what columns they have, with an entry
point of that name in the group ``benchpipe.columns``: ``columns(path, file)`` gives a
:class:`pyarrow.Schema` (numbers, and a timestamp if there is one; units as ``unit`` in a field's
metadata), or None for a log that is another's.
:mod:`benchpipe.readers.reader_kit` holds the tests that such a reader must pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import MappingProxyType
from typing import IO, TYPE_CHECKING

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.readers.batch import RawBatch, Reader
from benchpipe.readers.log_file import open_log
from benchpipe.readers.reader_process import stream_apart

if TYPE_CHECKING:
    import pyarrow as pa

# format → module and function; modules are imported when a log needs them
READERS = MappingProxyType(
    {
        "text": ("benchpipe.readers.text", "read_text"),
        "parquet": ("benchpipe.readers.tabular", "read_parquet"),
        "arrow": ("benchpipe.readers.arrow_ipc", "read_arrow"),
        "matlab": ("benchpipe.readers.matlab", "read_matlab"),
        "hdf5": ("benchpipe.readers.hdf5", "read_hdf5"),
        "mdf": ("benchpipe.readers.mdf", "read_mdf"),
        "xlsx": ("benchpipe.readers.workbook", "read_workbook"),
    }
)
APART = frozenset(("parquet", "arrow", "matlab", "hdf5", "mdf"))  # read in another process; xlsx calls it itself
ENTRY_POINTS, COLUMNS = "benchpipe.readers", "benchpipe.columns"

AnyReader = Callable[[Path, IO[bytes], RigConfig], "Iterator[RawBatch | pa.RecordBatch]"]


def find_reader(name: str) -> Reader:
    """Return the reader of a format: one of ours, or one that an installed package adds.

    Those of binary formats run in another process, see :mod:`benchpipe.readers.reader_process`.

    Raises
    ------
    ConfigError
        No such format, or a package's reader cannot be loaded.
    """
    if name in APART:
        return partial(_read_apart, name)
    if name in READERS:
        return _own_reader(name)
    plugins = {point.name: point for point in entry_points(group=ENTRY_POINTS)}
    if name not in plugins:
        raise ConfigError(f"unknown log format '{name}'", expected=nearest(name, [*READERS, *plugins]))
    try:
        plugin: AnyReader = plugins[name].load()
    except Exception as error:
        raise ConfigError(
            f"the reader of the log format '{name}' cannot be loaded: {type(error).__name__}: {error}",
            where=plugins[name].value,
            do_next="reinstall the package that brings it",
        ) from None
    return as_reader(plugin)


def _own_reader(name: str) -> Reader:
    module, function = READERS[name]
    reader: Reader = getattr(import_module(module), function)
    return reader


def _read_apart(name: str, path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a log in the other process, which opens it itself."""
    return stream_apart(path, _read_here, name, path, rig)


def _read_here(name: str, path: Path, rig: RigConfig) -> Iterator[RawBatch]:
    with open_log(path) as file:
        yield from _own_reader(name)(path, file, rig)


def plugin_columns() -> dict[str, EntryPoint]:
    """What installed packages offer to tell the columns of their logs, by format; ours are known without."""
    return {point.name: point for point in entry_points(group=COLUMNS) if point.name not in READERS}


def read_log(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a log with the reader its rig file names."""
    return find_reader(rig.log.format)(path, file, rig)


def as_reader(read: AnyReader) -> Reader:
    """A reader that gives raw batches, whichever of the two kinds ``read`` gives."""

    def reader(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
        row = 1
        for batch in read(path, file, rig):
            raw = batch if isinstance(batch, RawBatch) else from_arrow(path, batch, row, rig)
            row += len(raw.row) + sum(reject.rows for reject in raw.rejects)
            yield raw

    return reader


def from_arrow(path: Path, batch: pa.RecordBatch, first_row: int, rig: RigConfig) -> RawBatch:
    """Arrow record batch → raw batch.

    Parameters
    ----------
    path : Path
        The log, for errors.
    batch : pyarrow.RecordBatch
        ``time`` (floating: the log's time unit; a timestamp for ``kind = "datetime"``; not there for
        ``kind = "sample"``) and one column of numbers for each channel, by the channel's *name*; null
        where the log has no value. It may hold ``row`` (int64: each row's line or number in the log;
        else counted on from ``first_row``) and ``reject`` (text: why a row is not taken; null where it is).
    first_row : int
        Number of the first row where ``row`` is not there.
    rig : RigConfig

    Raises
    ------
    InputError
        A column holds no numbers, or no timestamps.
    ConfigError
        A column is missing: the reader is wrong, not the log.
    """
    import numpy as np
    import pyarrow.compute as pc

    from benchpipe.readers.batch import Reject, stretches
    from benchpipe.readers.tabular import raw_batch

    names = set(batch.schema.names)
    wanted = [c.name for c in rig.channel] + ([] if rig.time.kind == "sample" else ["time"])
    missing = [name for name in wanted if name not in names]
    if missing:
        raise ConfigError(
            f"the reader of '{rig.log.format}' gave no column '{missing[0]}'",
            where=path,
            expected=", ".join(wanted),
            got=", ".join(batch.schema.names),
        )
    rows = np.arange(first_row, first_row + batch.num_rows)
    if "row" in names:
        rows = np.array(batch.column("row"), np.int64)
    rejects: list[Reject] = []
    if "reject" in names:
        reasons = batch.column("reject")
        refused = np.array(pc.is_valid(reasons), bool)
        rejects += [Reject(int(rows[i]), 1, reasons[int(i)].as_py()) for i in np.flatnonzero(refused)]
        batch, rows = batch.filter(pc.is_null(reasons)), rows[~refused]
    raw = raw_batch(path, {name: batch.column(name) for name in wanted}, 1, rig)
    for reject in raw.rejects:
        rejects += stretches(rows[reject.row - 1 : reject.row - 1 + reject.rows], reject.reason)
    rejects.sort(key=lambda one: one.row)
    taken = rows[raw.row - 1]
    return RawBatch(taken, taken.copy() if rig.time.kind == "sample" else raw.time, raw.channels, rejects)
