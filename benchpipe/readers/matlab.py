"""MATLAB v5 logs: vectors of equal length, at the top or inside one struct."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError, nearest
from benchpipe.readers.batch import RawBatch, needed_columns
from benchpipe.readers.extras import readable
from benchpipe.readers.tabular import raw_batch


def read_matlab(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read a MATLAB v5 log.

    ``log.variables`` names the structs that hold the vectors, such as ``["run.day1"]``, read
    one after the other; without it the vectors stand at the top of the file.

    Raises
    ------
    InputError
        Not a v5 file, a name is missing, or the vectors differ in length.
    """
    try:
        with readable(path, "a MATLAB v5"):
            content = load_matlab(file)
    except InputError as error:
        if "v7.3" not in str(error) and "HDF" not in str(error):
            raise
        raise InputError(
            "this is a MATLAB v7.3 file", where=path, do_next="set format = \"hdf5\" in the rig file's [log]"
        ) from None
    row = 1
    for variable in rig.log.variables or ("",):
        batch = _record(path, content, variable, row, rig)
        row += len(batch.row) + sum(r.rows for r in batch.rejects)
        yield batch


def load_matlab(file: IO[bytes]) -> Any:
    """All that a MATLAB v5 file holds, its vectors plain, its structs with fields."""
    from scipy.io import loadmat

    return loadmat(file, squeeze_me=True, struct_as_record=False, spmatrix=False)


def _record(path: Path, content: Any, variable: str, row: int, rig: RigConfig) -> RawBatch:
    """The vectors of one struct (of the top of the file where ``variable`` is empty)."""
    import numpy as np

    place = str(path)
    for name in variable.split(".") if variable else []:
        content = _member(content, name, place)
        place += f", {name}"
    columns = {}
    for key, column in needed_columns(rig).items():
        values = np.atleast_1d(np.asarray(_member(content, str(column), place)))
        if values.ndim != 1 or values.dtype.kind not in "fiub":
            seen = f"{values.dtype} {values.shape}"
            raise InputError(f"'{column}' is not a vector of numbers", where=place, got=seen)
        columns[key] = pa.array(values.astype(np.float64))
    lengths = {key: len(array) for key, array in columns.items()}
    if len(set(lengths.values())) > 1:
        raise InputError("the vectors differ in length", where=place, got=str(lengths))
    return raw_batch(path, columns, row, rig)


def _member(content: Any, name: str, place: str) -> Any:
    fields = list(content) if isinstance(content, dict) else getattr(content, "_fieldnames", [])
    if name not in fields:
        known = [f for f in fields if not f.startswith("__")]
        raise InputError(f"the file holds no '{name}'", where=place, expected=nearest(name, known))
    return content[name] if isinstance(content, dict) else getattr(content, name)
