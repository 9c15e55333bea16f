"""Values of a measure from made-up rows of the tables, without a run (all figures are invented)."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.left_out import NAMES, NONE, LogClock
from benchpipe.blocks.values import Asked, Values
from benchpipe.check.measures import our_measures
from benchpipe.config.limits import LimitConfig
from benchpipe.tables import schema

RATE = 50.0  # samples a second


class Tables:
    """Tables that hold these rows, and nothing of a state."""

    def __init__(self, **rows: list[dict[str, Any]]) -> None:
        self.rows = rows

    def block(self, table: str, block: str) -> pa.Table:
        """Rows of one block."""
        rows = pa.Table.from_pylist(self.rows.get(table, []), schema=schema(table))
        return rows.filter(pc.equal(rows.column("block"), block))


def values(
    measure: str, block: Any, *, value: str = "1 s", operator: str = "<=", statistic: str = "median", waits: str = "",
    **rows: list[dict[str, Any]],
) -> Values:  # fmt: skip
    """Values that a limit on a measure is judged on."""
    plain = {"name": "x", "block": block.name, "measure": measure, "source": "invented"}
    keys = {"value": value, "operator": operator, "statistic": statistic}
    limit = LimitConfig.model_validate(plain | keys, context="file")
    make, tables = our_measures()[measure].values, Tables(**rows)
    assert make is not None
    return make(Asked(limit, our_measures()[measure], block, tables, LogClock(RATE), waits))  # type: ignore[arg-type]


def reasons(found: Values) -> list[str]:
    """Why each may hide something; empty where it does not."""
    return ["" if code == NONE else NAMES[code] for code in found.reason]
