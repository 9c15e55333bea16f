"""Judged measures of holds."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from benchpipe.blocks.held_values import _broken_off, _going_on
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Values, _items, _of_two_times, _own_u, _why, nothing
from benchpipe.columns import floats
from benchpipe.config.limits import LimitConfig


def _holds(limit: LimitConfig, measure: Measure, rows: pa.Table, rate: float) -> Values:
    value, u = floats(rows.column(measure.columns[0])), _own_u(measure, rows)
    if measure.name == "law_spread":
        value = value - floats(rows.column(measure.columns[1]))
    if measure.name == "log_slope":  # an end that the hold does not bound is null
        u = 0.25 * (floats(rows.column("log_slope_high")) - floats(rows.column("log_slope_low")))
    if measure.unit == "s":
        u = np.full(len(value), _of_two_times(rate))
    why = _why(rows, value)
    if measure.name == "leak_per_h":  # whatever figure the best law has
        undecided = np.array([kind == "undecided" for kind in rows.column("kind").to_pylist()], bool)
        value[undecided] = np.nan
        why = "leak and settling are not told apart" if undecided.all() else why
    if measure.name == "hold_time" and limit.operator == ">=":
        asked = limit.ends[0].value
        there = ~_going_on(rows, asked)
        if not there.any():
            return nothing(f"the hold has lasted {value[-1]:.4g} of {asked:g} s", due=False, of=rows.num_rows)
        value[_broken_off(rows, asked)] = np.nan  # it may have been held for longer
        why = "the log breaks off in it: how long the load was held is not known"
        return _items(rows, "hold", value, u, rate, why=why).select(there)
    parts = tuple((name, floats(rows.column(column))) for column, name in measure.own_parts)
    return _items(rows, "hold", value, u, rate, why=why, own_parts=parts)
