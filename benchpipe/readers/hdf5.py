"""HDF5 and MATLAB v7.3 logs: vectors of equal length, the fields of a table, or the columns of a matrix.

``log.variables`` names what holds them, read one after the other: a group (or MATLAB struct)
of vectors, a table (compound dataset), or a matrix. Without it the vectors are at the top.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError, nearest
from benchpipe.readers.batch import RawBatch, needed_columns
from benchpipe.readers.extras import load_extra, no_column, readable
from benchpipe.readers.hdf5_links import must_stand_alone
from benchpipe.readers.tabular import BATCH_ROWS, raw_batch

MATLAB = "MATLAB_class"  # the attribute of what MATLAB wrote
MOST_COLUMNS = 10_000
MOST_PACKED = 1100  # deflate packs at most 1032:1; more means a damaged length
WIDEST = 8  # bytes of a number: a damaged type comes as a wider one, with numbers that were never measured


@dataclass(frozen=True)
class Vector:
    """One column: its length, how to ask for its unit (empty where there is none), and to read a stretch of it."""

    name: str | int
    length: int
    unit: Callable[[], str]
    read: Callable[[int, int], NDArray[Any]]


def read_hdf5(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read an HDF5 or MATLAB v7.3 log.

    A date column holds texts in the rig's ``time.format``.

    Raises
    ------
    InputError
        Not HDF5, a name is missing, or the vectors differ in length.
    MissingExtraError
        h5py is not installed.
    """
    row = 1
    with opened(path, file) as content:
        for variable in rig.log.variables or ("",):
            for columns, count in _record(path, content, variable, rig):
                yield raw_batch(path, columns, row, rig)
                row += count


@contextmanager
def opened(path: Path, file: IO[bytes]) -> Iterator[Any]:
    """An HDF5 file, open for reading."""
    h5py = load_extra("h5py", "hdf5")
    with readable(path, "an HDF5"):
        content = h5py.File(file, "r")
    try:
        with readable(path, "an HDF5"):
            must_stand_alone(path, content)
        yield content
    finally:
        content.close()


def vectors(path: Path, content: Any, variable: str) -> list[Vector]:
    """All columns of a group (and of groups inside it, ``"inner/name"``), table or matrix.

    Links to other files are not followed.

    Raises
    ------
    InputError
        There is nothing of that name, or a dataset's length cannot be true.
    """
    place = f"{path}, {variable}" if variable else str(path)
    with readable(path, "an HDF5"):
        found: list[Vector] = []
        node = _find(content, variable, place)
        if hasattr(node, "keys"):
            node.visititems(lambda name, child: found.extend(_plain(name, child, place)))
        elif (kind := known_type(node)) is None:
            raise InputError("its numbers are of no known type: the file may be damaged", where=place)
        elif kind.names:
            _believable(node, place)
            found = [_part(name, node, len(node), _field(node, name)) for name in kind.names]
        else:
            found = list(_matrix(node, place))
    return found


def _find(content: Any, variable: str, place: str) -> Any:
    for name in (variable, variable.replace(".", "/")):
        if not name:
            return content
        if name in content:
            return content[name]
    names: list[str] = []
    content.visit(names.append)
    raise InputError(f"the file holds no '{variable}'", where=place, expected=nearest(variable, names))


def _plain(name: str, node: Any, place: str) -> Iterator[Vector]:
    """A dataset that is a vector, MATLAB's (n, 1) and (1, n) too."""
    if hasattr(node, "keys") or not _readable_kind(node):
        return
    wide = [axis for axis, size in enumerate(node.shape) if size != 1]
    if not node.shape or len(wide) > 1:
        return
    axis = wide[0] if wide else 0
    _believable(node, place)

    def read(start: int, end: int) -> NDArray[Any]:
        where = tuple(slice(start, end) if k == axis else 0 for k in range(len(node.shape)))
        return np.atleast_1d(np.asarray(node[where]))

    yield _part(name, node, node.shape[axis], read)


def _matrix(node: Any, place: str) -> Iterator[Vector]:
    """Columns of a matrix, numbered from 1. MATLAB writes its columns as rows."""
    if len(node.shape) != 2 or min(node.shape) > MOST_COLUMNS or not _readable_kind(node):
        raise InputError("neither a group, a table nor a matrix of numbers", where=place, got=str(node.shape))
    _believable(node, place)
    across = 0 if MATLAB in node.attrs else 1
    for k in range(node.shape[across]):

        def read(start: int, end: int, k: int = k) -> NDArray[Any]:
            return np.asarray(node[start:end, k] if across else node[k, start:end])

        yield _part(k + 1, node, node.shape[1 - across], read)


def _field(node: Any, name: str) -> Callable[[int, int], NDArray[Any]]:
    return lambda start, end: np.asarray(node[start:end][name])


def _part(name: str | int, node: Any, length: int, read: Callable[[int, int], NDArray[Any]]) -> Vector:
    def unit() -> str:
        if node.dtype.names:
            return ""
        texts = (_attribute(node, key) for key in ("unit", "units", "Unit", "Units"))
        return next((text for text in texts if text), "")

    return Vector(name, int(length), unit, read)


def _attribute(node: Any, name: str) -> str:
    """A text beside a dataset; empty where there is none."""
    try:
        value = node.attrs.get(name, "")
    except (TypeError, ValueError):  # NumPy has no type like its
        return ""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value if isinstance(value, str) else ""


def known_type(node: Any) -> np.dtype[Any] | None:
    """Type of a dataset of numbers as machines have them, of texts, or of records of such; None for any other."""
    try:
        kind: np.dtype[Any] = node.dtype
    except (TypeError, ValueError):  # NumPy has none like it: times, references, what is damaged
        return None
    parts = [kind[name] for name in kind.names] if kind.names else [kind]
    known = all(part.kind in "SO" or (part.kind in "fiub" and part.itemsize <= WIDEST) for part in parts)
    return kind if known else None


def _readable_kind(node: Any) -> bool:
    """Numbers or texts; MATLAB's letters are numbers too, and no vector of measurements."""
    kind = known_type(node)
    return kind is not None and not kind.names and _attribute(node, MATLAB) not in ("char", "cell", "struct")


def _believable(node: Any, place: str) -> None:
    """A damaged length would give endless fill values."""
    size = node.size * node.dtype.itemsize
    if size > MOST_PACKED * max(node.id.get_storage_size(), 1) and size > BATCH_ROWS:
        raise InputError(f"'{node.name}' says it has {node.size:,} values; so many are not in the file", where=place)


def _record(
    path: Path, content: Any, variable: str, rig: RigConfig
) -> Iterator[tuple[dict[str, pa.Array], int]]:
    """Stretches of the columns that the rig needs, and their rows."""
    place = f"{path}, {variable}" if variable else str(path)
    known = {vector.name: vector for vector in vectors(path, content, variable)}
    chosen: dict[str, Vector] = {}
    for key, column in needed_columns(rig).items():
        if column not in known:
            raise no_column(place, column, [str(name) for name in known])
        chosen[key] = known[column]
    lengths = {key: vector.length for key, vector in chosen.items()}
    if len(set(lengths.values())) > 1:
        raise InputError("the vectors differ in length", where=place, got=str(lengths))
    length = next(iter(lengths.values()))
    for start in range(0, length, BATCH_ROWS):
        end = min(start + BATCH_ROWS, length)
        with readable(path, "an HDF5"):
            columns = {key: _arrow(vector, start, end, place, rig) for key, vector in chosen.items()}
        yield columns, end - start


def _arrow(vector: Vector, start: int, end: int, place: str, rig: RigConfig) -> pa.Array:
    values = vector.read(start, end)
    if len(values) != end - start:
        raise InputError(f"'{vector.name}' ends before row {end}", where=place)
    if values.dtype.kind in "fiub":
        return pa.array(values.astype(np.float64))
    if values.dtype.kind not in "SO" or rig.time.kind != "datetime":
        raise InputError(f"'{vector.name}' is not a vector of numbers", where=place, got=str(values.dtype))
    return stamps(values, rig.time.format or "")


def stamps(values: NDArray[Any], form: str) -> pa.Array:
    """Texts → Arrow timestamps [µs]; null where one does not fit the format."""
    import polars as pl

    texts = [v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in values]
    series = pl.Series(texts, dtype=pl.String)
    if ",%f" in form:  # the reader of dates knows fractions after a point only
        form, series = form.replace(",%f", ".%f"), series.str.replace_all(",", ".", literal=True)
    return series.str.to_datetime(form.replace(".%f", "%.f"), time_unit="us", strict=False).to_arrow()
