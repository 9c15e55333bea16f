"""Judged measures of lock changes."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Values, _measured, nothing, values_of
from benchpipe.config.limits import LimitConfig


def _lock_changes(limit: LimitConfig, measure: Measure, rows: pa.Table, rate: float) -> Values:
    """One value for each change that the measure is of; none for the one in which the log ends."""
    count = rows.num_rows
    if measure.name == "lock_changes":
        due = limit.operator == "<=" or count >= limit.ends[0].value
        why = "" if due else f"{count:,} of {limit.ends[0].value:,.0f} changes so far"
        done = np.array([float(count)])
        return values_of(done, done, np.zeros(1), count, due=due, why=why)
    last = rows.slice(count - 1)
    if last.column("outcome")[0].as_py() == "cut short":
        rows = rows.slice(0, count - 1)
    of_locks = measure.name in ("slip", "lock_error", "time_to_hold", "lock_failures")
    rows = rows.filter(pc.equal(rows.column("to"), "locked" if of_locks else "unlocked"))
    if rows.num_rows == 0:
        return nothing("no such change yet", due=False)
    return _measured(measure, rows, "lock_change", rate)
