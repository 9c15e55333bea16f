"""Compare two tables to the last bit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow as pa


def differing(stored: pa.Table, made: pa.Table) -> str:
    """How two tables differ, in words; empty where they are the same to the last bit (NaN and minus zero too)."""
    if stored.num_rows != made.num_rows:
        return f"{stored.num_rows:,} rows are stored, {made.num_rows:,} were made"
    if stored.schema.names != made.schema.names or stored.schema.types != made.schema.types:
        return "its columns are others"
    found = {name: _rows(stored.column(name), made.column(name)) for name in stored.schema.names}
    count = sum(rows.size for rows in found.values())
    if not count:
        return ""
    name, row = min(((name, int(rows[0])) for name, rows in found.items() if rows.size), key=lambda one: one[1])
    was, now = (table.column(name)[row].as_py() for table in (stored, made))
    return f"{count:,} value(s) differ, the first in row {row + 1:,}: {name} {was!r} is stored, {now!r} was made"


def _rows(stored: pa.ChunkedArray, made: pa.ChunkedArray) -> NDArray[np.intp]:
    """Rows of a column that differ."""
    import pyarrow as pa

    if pa.types.is_floating(stored.type):
        same = _bits(stored) == _bits(made)
        return np.flatnonzero(~same | (_nulls(stored) != _nulls(made)))
    if stored.equals(made):
        return np.empty(0, np.intp)
    pairs = zip(stored.to_pylist(), made.to_pylist(), strict=True)
    return np.flatnonzero([one != other for one, other in pairs])


def _bits(column: pa.ChunkedArray) -> NDArray[Any]:
    """Floating numbers as the integers of their bits, 0 for null."""
    import pyarrow.compute as pc

    values = np.asarray(pc.fill_null(column, 0.0).combine_chunks())
    return values.view(np.int32 if values.dtype == np.float32 else np.int64)


def _nulls(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    import pyarrow.compute as pc

    return np.asarray(pc.is_null(column).combine_chunks(), bool)
