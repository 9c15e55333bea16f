"""The records of HDF5, MATLAB and MDF logs: sets of two or more vectors of one length.

A record is a group, a struct, a table, a matrix, or a channel group.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.errors import InputError
from benchpipe.inspect.findings import LogColumn
from benchpipe.inspect.heading import log_column
from benchpipe.readers.extras import readable
from benchpipe.readers.hdf5 import known_type, vectors
from benchpipe.readers.hdf5 import opened as opened_hdf5
from benchpipe.readers.log_file import open_log
from benchpipe.readers.matlab import load_matlab
from benchpipe.readers.mdf import channel_values, groups
from benchpipe.readers.mdf import opened as opened_mdf

Floats = NDArray[np.float64]
MOST_RECORDS = 64


@dataclass(frozen=True)
class RecordColumn:
    """A vector of a record: ``read(start, end)`` gives numbers, or texts where ``texts``."""

    column: LogColumn
    read: Callable[[int, int], NDArray[Any]]


@dataclass(frozen=True)
class Record:
    """Vectors of one length. ``master``: the vector that is the time by the format's own word."""

    variable: str
    length: int
    columns: tuple[RecordColumn, ...]
    master: str | None = None


@contextmanager
def open_records(path: Path, form: str) -> Iterator[list[Record]]:
    """The records of a file, while it is open."""
    with open_log(path) as file:
        if form == "hdf5":
            with opened_hdf5(path, file) as content:
                with readable(path, "an HDF5"):
                    records = list(_hdf5_records(path, content))
                yield records[:MOST_RECORDS]
        elif form == "mdf":
            with opened_mdf(path, file) as content:
                with readable(path, "an MDF 4"):
                    records = _mdf_records(path, content)
                yield records
        else:
            with readable(path, "a MATLAB"):
                content = load_matlab(file)
            yield list(_matlab_records("", content))[:MOST_RECORDS]


def _hdf5_records(path: Path, content: Any) -> Iterator[Record]:
    """Groups of vectors, tables and matrices; vectors a group deeper count with the group above if alone there."""
    holders: list[str] = []
    content.visititems(lambda name, node: holders.append(name) if _may_hold(node) else None)
    loose = _record("", vectors(path, content, ""), deep=True)
    found = []
    for name in ("", *holders):
        record = _record(name, vectors(path, content, name), deep=False)
        if record is not None:
            found.append(record)
    yield from found or ([loose] if loose is not None else [])


def _may_hold(node: Any) -> bool:
    if hasattr(node, "keys"):
        return True
    kind = known_type(node)
    if kind is None or kind.names:
        return kind is not None
    return len(node.shape) == 2 and min(node.shape) > 1 and kind.kind in "fiu"


def _record(name: str, found: list[Any], *, deep: bool) -> Record | None:
    flat = [v for v in found if deep or "/" not in str(v.name)]
    lengths = Counter(v.length for v in flat if v.length > 1)
    if not lengths or lengths.most_common(1)[0][1] < 2:
        return None
    length = lengths.most_common(1)[0][0]
    columns = []
    for vector in (v for v in flat if v.length == length):
        kind = "number" if vector.read(0, 1).dtype.kind in "fiub" else "date"
        column = log_column(vector.name, vector.unit(), "dataset's attribute", kind)
        columns.append(RecordColumn(column, _as_read(vector.read, kind)))
    return Record(name, length, tuple(columns))


def _as_read(read: Callable[[int, int], NDArray[Any]], kind: str) -> Callable[[int, int], NDArray[Any]]:
    return read if kind == "date" else lambda start, end: np.asarray(read(start, end), np.float64)


def _mdf_records(path: Path, content: Any) -> list[Record]:
    records = []
    for group in groups(path, content):
        columns = []
        for name, place in group.channels.items():
            column = log_column(name, group.units[name], "channel's unit", "number")

            def read(start: int, end: int, group: Any = group, place: int = place) -> Floats:
                return np.asarray(channel_values(content, group, place, start, end - start), np.float64)

            try:
                read(0, min(1, group.length))
            except InputError:
                column = LogColumn(name, column.unit, column.unit_from, "word")
            columns.append(RecordColumn(column, read))
        if group.length > 1 and sum(c.column.kind == "number" for c in columns) > 1:
            records.append(Record(group.name or str(group.number), group.length, tuple(columns), group.master))
    return records


def _matlab_records(variable: str, content: Any) -> Iterator[Record]:
    """The vectors of a struct (of the top of the file), then those of the structs inside it."""
    fields = content
    if not isinstance(content, dict):
        fields = {name: getattr(content, name) for name in getattr(content, "_fieldnames", [])}
    arrays = {n: np.atleast_1d(v) for n, v in fields.items() if not n.startswith("__") and isinstance(v, np.ndarray)}
    numbers = {n: v for n, v in arrays.items() if v.ndim == 1 and v.dtype.kind in "fiub"}
    lengths = Counter(len(v) for v in numbers.values() if len(v) > 1)
    if lengths and lengths.most_common(1)[0][1] > 1:
        length = lengths.most_common(1)[0][0]
        yield Record(variable, length, tuple(
            RecordColumn(log_column(name, "", "", "number"), lambda a, b, v=values: np.asarray(v[a:b], np.float64))  # type: ignore[misc]
            for name, values in numbers.items() if len(values) == length
        ))  # fmt: skip
    for name, inner in fields.items():
        if hasattr(inner, "_fieldnames"):
            yield from _matlab_records(f"{variable}.{name}" if variable else name, inner)
