"""Rows of a log on their way into the store: numbered, calibrated, with the log's own time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled


@dataclass(frozen=True)
class Rows:
    """Consecutive rows.

    Attributes
    ----------
    row : int64 array, shape (n,)
    time_us : int64 array, shape (n,)
        By the log's own clock, or on the axis of its samples once they are placed.
    values : dict of float32 arrays, shape (n,)
        By channel; NaN where there is no value.
    outside : dict of int
        By channel: how many rows of the batch they were made of lie outside the calibration's table. Of that alone.
    """

    row: NDArray[np.int64]
    time_us: NDArray[np.int64]
    values: dict[str, NDArray[np.float32]]
    outside: dict[str, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.row.size)

    def part(self, which: slice | NDArray[Any]) -> Rows:
        """Some of the rows."""
        return Rows(self.row[which], self.time_us[which], {name: v[which] for name, v in self.values.items()})

    def at(self, time_us: NDArray[np.int64]) -> Rows:
        """The same rows at other times."""
        return Rows(self.row, time_us, self.values)

    def table(self, schema: pa.Schema) -> pa.Table:
        """As a table of samples."""
        arrays = [pa.array(self.time_us), pa.array(self.row)]
        arrays += [pa.array(values, from_pandas=False) for values in self.values.values()]
        return pa.Table.from_arrays(arrays, schema=schema)


def joined(rows: list[Rows]) -> Rows:
    """Rows one after the other."""
    if len(rows) == 1:
        return rows[0]
    return Rows(
        np.concatenate([r.row for r in rows]),
        np.concatenate([r.time_us for r in rows]),
        {name: np.concatenate([r.values[name] for r in rows]) for name in rows[0].values},
    )


@compiled
def holes_in(values: NDArray[np.float32]) -> int:
    """How many values are NaN."""
    count = 0
    for k in range(values.size):
        count += values[k] != values[k]
    return count


def equal_rows(a: Rows, b: Rows) -> NDArray[np.bool_]:
    """Which of the paired rows hold the same values, no value the same as no value."""
    same = np.ones(len(a), bool)
    for name, values in a.values.items():
        other = b.values[name]
        same &= (values == other) | (np.isnan(values) & np.isnan(other))
    return same
