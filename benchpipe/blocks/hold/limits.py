"""What of holds is judged: one row a measure."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from benchpipe.blocks.held_values import at_time, broken_off, going_on
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Asked, Floats, Values, items, nothing, of_rows, of_two_times, own_u, why_missing
from benchpipe.columns import floats


def _column(asked: Asked, rows: pa.Table) -> Values:
    """One column with its own uncertainty, and what is in that."""
    value = floats(rows.column(asked.measure.columns[0]))
    return _items(asked, rows, value, own_u(asked.measure, rows))


def _items(asked: Asked, rows: pa.Table, value: Floats, u: Floats | None, why: str = "") -> Values:
    parts = tuple((name, floats(rows.column(column))) for column, name in asked.measure.own_parts)
    return items(rows, "hold", value, u, asked.rate, why=why or why_missing(rows, value), own_parts=parts)


def _law_spread(asked: Asked, rows: pa.Table) -> Values:
    high, low = (floats(rows.column(column)) for column in asked.measure.columns)
    return _items(asked, rows, high - low, None)


def _log_slope(asked: Asked, rows: pa.Table) -> Values:
    """An end of the slope's interval that the hold does not bound is null."""
    low, value, high = (floats(rows.column(f"log_slope{end}")) for end in ("_low", "", "_high"))
    return _items(asked, rows, value, 0.25 * (high - low))


def _leak(asked: Asked, rows: pa.Table) -> Values:
    """None where leak and settling cannot be separated, whatever figure the best law has."""
    value = floats(rows.column(asked.measure.columns[0]))
    why = why_missing(rows, value)
    undecided = np.array([kind == "undecided" for kind in rows.column("kind").to_pylist()], bool)
    value[undecided] = np.nan
    why = "leak and settling cannot be separated" if undecided.all() else why
    return items(rows, "hold", value, own_u(asked.measure, rows), asked.rate, why=why)


def _hold_time(asked: Asked, rows: pa.Table) -> Values:
    value = floats(rows.column(asked.measure.columns[0]))
    u = np.full(len(value), of_two_times(asked.rate))
    if asked.limit.operator != ">=":
        return _items(asked, rows, value, u)
    least = asked.limit.ends[0].value
    there = ~going_on(rows, least)
    if not there.any():
        return nothing(f"the hold has lasted {value[-1]:.4g} of {least:g} s", due=False, of=rows.num_rows)
    value[broken_off(rows, least)] = np.nan  # it may have been held for longer
    why = "the log breaks off in it: how long the load was held is not known"
    return items(rows, "hold", value, u, asked.rate, why=why).select(there)


MEASURES: tuple[Measure, ...] = (
    Measure("creep", "hold", "creep_points", ("creep",), "motion", 0, 1, "creep at a time after loading",
            u_column="creep_u", absolute=True, at_time=True, values=of_rows("holds", at_time("creep_points", "hold"))),
    Measure("creep_full", "hold", "creep_points", ("creep_full",), "motion", 0, 1, "creep at a time, since full load",
            u_column="creep_full_u", absolute=True,
            at_time=True, values=of_rows("holds", at_time("creep_points", "hold"))),
    Measure("creep_end", "hold", "holds", ("creep_end",), "motion", 0, 1, "creep at the end of a hold",
            u_column="creep_end_u", absolute=True,
            own_parts=(("creep_step_u", "resolution of the motion"), ("creep_drift_u", "drift of the motion channel")),
            values=of_rows("holds", _column)),
    Measure("creep_full_end", "hold", "holds", ("creep_full_end",), "motion", 0, 1,
            "creep at the end of a hold, since full load", u_column="creep_full_end_u", absolute=True,
            values=of_rows("holds", _column)),
    Measure("rate_end_per_h", "hold", "holds", ("rate_end_per_h",), "motion/h", 0, 1, "creep rate at the end of a hold",
            u_column="rate_end_u_per_h", absolute=True, values=of_rows("holds", _column)),
    Measure("leak_per_h", "hold", "holds", ("leak_per_h",), "motion/h", 0, 1, "leak rate of a held lock",
            u_column="leak_u_per_h", absolute=True, values=of_rows("holds", _leak)),
    Measure("elastic_motion", "hold", "holds", ("elastic_motion",), "motion", 0, 1, "motion on loading",
            u_column="elastic_motion_u", absolute=True, values=of_rows("holds", _column)),
    Measure("recovered", "hold", "holds", ("recovered",), "1", 0, 0, "part of the creep that came back after unloading",
            u_column="recovered_u", values=of_rows("holds", _column)),
    Measure("creep_bound", "hold", "holds", ("creep_bound",), "motion", 0, 1, "upper bound (95 %) of a hold's creep",
            bound=True, values=of_rows("holds", _column)),
    Measure("log_slope", "hold", "holds", ("log_slope",), "1", 0, 0,
            "d log rate/d log time late in a hold: 0 leak, -1 log time", values=of_rows("holds", _log_slope)),
    Measure("law_spread", "hold", "holds", ("creep_law_high", "creep_law_low"), "motion", 0, 1,
            "spread of the creep at the end between laws that fit", bound=True, values=of_rows("holds", _law_spread)),
    Measure("load_taken_off", "hold", "holds", ("load_taken_off",), "motion", 0, 1,
            "taken off the creep for wobble of the load", absolute=True, values=of_rows("holds", _column)),
    Measure("temperature_taken_off", "hold", "holds", ("temperature_taken_off",), "motion", 0, 1,
            "taken off the creep for temperature", absolute=True, values=of_rows("holds", _column)),
    Measure("hold_time", "hold", "holds", ("duration_s",), "s", 0, 0, "length of a hold",
            values=of_rows("holds", _hold_time)),
)  # fmt: skip
