"""Logs of formats that installed packages add: the package names the columns, its reader gives a sample."""

from __future__ import annotations

from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.inspect.columnar_log import outline_of_schema
from benchpipe.inspect.findings import ColumnKey, LogPiece, LogSample, Outline
from benchpipe.readers.extras import readable
from benchpipe.readers.log_file import open_log
from benchpipe.readers.registry import read_log


def outline_plugin(path: Path, plugins: dict[str, EntryPoint]) -> tuple[Outline | None, tuple[str, ...]]:
    """Outline of a log that a package knows as its own, and notes on packages that failed over it.

    Parameters
    ----------
    plugins : dict of EntryPoint
        :func:`~benchpipe.readers.registry.plugin_columns`.

    Raises
    ------
    InputError
        The log is of a package's format, and has fewer than two columns of numbers.
    """
    notes = []
    for form, point in plugins.items():
        try:
            schema = _schema(path, point)
        except Exception as error:  # a package may fail in any way; the log may be another's
            notes.append(f"the package that reads '{form}' failed over {path.name}: {type(error).__name__}: {error}")
            continue
        if schema is not None:
            outline = outline_of_schema(schema, form)
            if sum(column.kind == "number" for column in outline.columns) < 2:
                raise InputError(f"the log, of the format '{form}', has no two columns of numbers", where=path)
            return outline, tuple(notes)
    return None, tuple(notes)


def _schema(path: Path, point: EntryPoint) -> pa.Schema | None:
    columns = point.load()
    with open_log(path) as file:
        try:
            schema = columns(path, file)
        except InputError:  # that is no log of mine
            return None
    if schema is not None and not isinstance(schema, pa.Schema):
        raise TypeError(f"it gave {type(schema).__name__}, no pyarrow.Schema")
    return schema


def sample_plugin(path: Path, outline: Outline, most: int) -> LogSample:
    """About the first ``most`` rows of a log, as its reader gives them."""
    keys: list[ColumnKey] = [column.key for column in outline.columns if column.kind == "number"]
    rig = _rig(outline, keys)
    pieces: list[LogPiece] = []
    rejects: dict[str, int] = {}
    looked, whole = 0, True
    with open_log(path) as file, readable(path, f"a '{outline.format}'"):
        for batch in read_log(path, file, rig):
            if looked >= most:
                whole = False
                break
            stamps = np.asarray(batch.time, np.int64) if outline.dates else None
            values = {key: batch.channels[f"column_{n}"] for n, key in enumerate(keys)}
            pieces.append(LogPiece(batch.row, stamps, values))
            for one in batch.rejects:
                rejects[one.reason] = rejects.get(one.reason, 0) + one.rows
            looked += len(batch.row) + sum(one.rows for one in batch.rejects)
    said = tuple(sorted(rejects.items(), key=lambda one: -one[1]))
    return LogSample(tuple(pieces), whole, looked if whole else None, said)


def _rig(outline: Outline, keys: list[ColumnKey]) -> RigConfig:
    """A rig file that names every column of numbers, as if the first two were load and motion."""
    units = ["N", "mm", *["1"] * len(keys)]
    time: dict[str, Any] = {"kind": "sample", "sample_rate": "1 Hz"}
    if outline.dates:
        time = {"sample_rate": "1 Hz", "format": outline.choices["date"].values[0], **outline.dates}
    channels = [{"name": f"column_{n}", "column": key, "unit": units[n]} for n, key in enumerate(keys)]
    axes = {"load": {"channel": "column_0"}, "motion": {"channel": "column_1"}}
    return RigConfig.model_validate(
        {"name": "inspected", "log": {"format": outline.format}, "time": time, "channel": channels, **axes}
    )
