"""What a column of a table is, and what is made of columns: Arrow schemas, arrays.

A unit of ``load`` or ``motion`` stands for the run's own (``N*m`` and ``deg``, or ``N`` and ``mm``), which the files
carry as metadata.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pyarrow as pa
    from numpy.typing import NDArray


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
    column("stuck_rows", "int64", "1", "rows whose load or motion repeats one value for longer than chance leaves"),
)


def floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    """Column → float64, NaN for null."""
    import numpy as np

    array = column.combine_chunks().cast("float64", safe=False)
    return np.array(array.fill_null(float("nan")) if array.null_count else array)


def schema_of(columns: Iterable[Column], units: Mapping[str, str] | None = None) -> pa.Schema:
    """Arrow schema of some columns.

    Parameters
    ----------
    units : mapping, optional
        What ``load`` and ``motion`` stand for, such as ``{"load": "N*m", "motion": "deg"}``.
    """
    import pyarrow as pa

    types = {
        "int64": pa.int64(), "int32": pa.int32(), "uint16": pa.uint16(), "float64": pa.float64(),
        "float32": pa.float32(), "bool": pa.bool_(), "string": pa.string(),
    }  # fmt: skip
    return pa.schema(
        [
            pa.field(c.name, types[c.dtype], c.null, {"unit": unit_text(c.unit, units or {}), "meaning": c.meaning})
            for c in columns
        ]
    )


def unit_text(unit: str, units: Mapping[str, str]) -> str:
    """A column's unit with ``load`` and ``motion`` put into words of the run."""
    parts = [units.get(part, part) for part in unit.split("/")]
    return "/".join(parts)
