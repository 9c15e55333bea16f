"""Which rows of a table were asked for: numbers from one to another, and those of a block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from operator import index
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.columns import Column
from benchpipe.errors import ConfigError

BLOCK_COLUMN = {"remarks": "where"}  # tables that name their block in a column of another name
SAMPLES = "samples"  # those of a block are known by its logs and its mode
MOST = 2**63 - 1  # what a column of numbers can hold


def whole_number(what: str, value: Any) -> int:
    """A whole number that a column can hold.

    Raises
    ------
    ConfigError
        It is none.
    """
    try:
        number = index(value)
    except TypeError:
        number = None
    if number is None or isinstance(value, bool) or abs(number) > MOST:
        raise ConfigError(f"{what} is no number of a row", expected="a whole number, such as 12", got=repr(value))
    return number


def first_and_last(between: Any) -> tuple[int, int]:
    """Both numbers of a range.

    Raises
    ------
    ConfigError
        They are not two whole numbers.
    """
    try:
        first, last = between
    except (TypeError, ValueError):
        expected = "the first and the last number, such as (1, 100)"
        raise ConfigError("between is no range", expected=expected, got=repr(between)) from None
    return whole_number("between", first), whole_number("between", last)


def block_column(table: str, tables: Mapping[str, Sequence[Column]], there: Sequence[str]) -> str | None:
    """The column that names the block of each row; None for samples, which have none.

    Parameters
    ----------
    table : str
    tables : mapping
        Columns of all tables.
    there : sequence of str
        Those that have rows.

    Raises
    ------
    ConfigError
        Rows of the table are of no block.
    """
    named = {name: BLOCK_COLUMN.get(name, "block") for name in tables}
    having = {name for name, columns in tables.items() if any(one.name == named[name] for one in columns)}
    if table == SAMPLES:
        return None
    if table in having:
        return named[table]
    raise ConfigError(
        f"rows of the table '{table}' are of no block",
        expected=f"one of {', '.join(name for name in there if name == SAMPLES or name in having)}",
        do_next="leave out block",
    )  # fmt: skip


def of_one_block(rows: pa.Table, column: str, block: str) -> pa.Table:
    """Rows on a block. Remarks on one of several things in a block name it after a comma: ``durability, event 3``."""
    named = rows.column(column)
    own = pc.equal(named, block)
    if column != "block":
        own = pc.or_(own, pc.starts_with(named, f"{block}, "))
    return rows.filter(own)
