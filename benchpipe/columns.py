"""What a column of a table is, and the columns of proofs and lock changes (:mod:`benchpipe.tables` has all)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Column:
    """One column of a table. ``dtype`` is an Arrow type's name."""

    name: str
    dtype: str
    unit: str
    null: bool
    meaning: str


def column(name: str, dtype: str, unit: str, meaning: str, *, null: bool = False) -> Column:
    """Make a column."""
    return Column(name, dtype, unit, null, meaning)


def with_u(name: str, unit: str, meaning: str) -> tuple[Column, Column]:
    """A figure that may be missing, and its standard uncertainty."""
    u = column(f"{name}_u", "float64", unit, "its standard uncertainty", null=True)
    return column(name, "float64", unit, meaning, null=True), u


# What is missing in a stretch of the log that a row was measured from.
LOSSES: tuple[Column, ...] = (
    column("lost_rows", "int64", "1", "rows of the log lost in it: rejected, or without load or motion"),
    column("longest_step_s", "float64", "s", "longest step between its samples", null=True),
)
STUCK = column(
    "stuck_rows", "int64", "1", "rows whose load repeats one value for longer than chance leaves", null=True
)


def floats(column: pa.ChunkedArray) -> Floats:
    """Column → float64, NaN for null."""
    array = column.combine_chunks().cast("float64", safe=False)
    return np.array(array.fill_null(float("nan")) if array.null_count else array)


def unit_text(unit: str, units: dict[str, str]) -> str:
    """A column's unit with ``load`` and ``motion`` put into words of the run."""
    parts = [units.get(part, part) for part in unit.split("/")]
    return "/".join(parts)
