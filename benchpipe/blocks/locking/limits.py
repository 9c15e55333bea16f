"""What of lock changes is judged: one row a measure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.measures import COUNTED, Measure
from benchpipe.blocks.values import Asked, Values, column_of, nothing, of_rows, values_of

Way = Literal["locked", "unlocked"]


def _changes_to(to: Way) -> Callable[[Asked, pa.Table], Values]:
    """One value for each lock, or for each unlock; none for the one in which the log ends."""

    def make(asked: Asked, rows: pa.Table) -> Values:
        last = rows.slice(rows.num_rows - 1)
        if last.column("outcome")[0].as_py() == "cut short":
            rows = rows.slice(0, rows.num_rows - 1)
        rows = rows.filter(pc.equal(rows.column("to"), to))
        if rows.num_rows == 0:
            return nothing("no such change yet", due=False)
        return column_of("lock_change")(asked, rows)

    return make


def _count(asked: Asked, rows: pa.Table) -> Values:
    """How many there are so far."""
    count, limit = rows.num_rows, asked.limit
    due = limit.operator == "<=" or count >= limit.ends[0].value
    why = "" if due else f"{count:,} of {limit.ends[0].value:,.0f} changes so far"
    done = np.array([float(count)])
    return values_of(done, done, np.zeros(1), count, due=due, why=why)


def _lock(name: str, column: str, unit: str, motion: int, meaning: str, to: Way) -> Measure:
    u_column = f"{column.removesuffix('_s')}_u_s" if unit == "s" else f"{column}_u"
    return Measure(
        name, "locking", "lock_changes", (column,), unit, 0, motion, meaning, "", u_column, unit != "s",
        values=of_rows("lock_changes", _changes_to(to)),
    )  # fmt: skip


MEASURES: tuple[Measure, ...] = (
    _lock("time_to_hold", "time_to_hold_s", "s", 0, "time from a lock until the joint moves no more under load",
            to="locked"),
    _lock("time_to_free", "time_to_free_s", "s", 0, "time from an unlock until the joint carries no load",
            to="unlocked"),
    _lock("slip", "slip", "motion", 1, "motion from a lock until the joint holds", to="locked"),
    _lock("lock_error", "lock_error", "motion", 1, "motion at which the joint holds less that asked for", to="locked"),
    Measure("lock_failures", "locking", "lock_changes", ("lock_failed",), "times", 0, 0, "locks that failed",
            one_sample=True, statistics=COUNTED, values=of_rows("lock_changes", _changes_to("locked"))),
    Measure("unlock_failures", "locking", "lock_changes", ("unlock_failed",), "times", 0, 0, "unlocks that failed",
            one_sample=True, statistics=COUNTED, values=of_rows("lock_changes", _changes_to("unlocked"))),
    Measure("lock_changes", "locking", "lock_changes", ("lock_change",), "times", 0, 0, "locks and unlocks",
            statistics=COUNTED, to_reach=True, values=of_rows("lock_changes", _count)),
)  # fmt: skip
