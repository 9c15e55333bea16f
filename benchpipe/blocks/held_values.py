"""Values of a creep or relaxation curve at a time, and of what goes on or broke off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.values import Asked, Values, items, nothing, why_missing
from benchpipe.columns import floats


def at_time(table: str, number: str) -> Callable[[Asked, pa.Table], Values]:
    """Values of a curve at the asked time, one a hold: NaN for one that ended before, none for one that goes on.

    Parameters
    ----------
    table : str
        Points of the curves: ``kind``, ``time_s``, the hold's number and the figure.
    number : str
        Column that numbers the holds.
    """

    def make(asked: Asked, holds: pa.Table) -> Values:
        measure, time_s = asked.measure, asked.limit.at_time or 0.0
        points = asked.tables.block(table, asked.block.name)
        last = going_on(holds, time_s)
        if last.all():
            lasted = float(floats(holds.column("duration_s"))[-1])
            return nothing(f"the hold has lasted {lasted:.4g} of {time_s:g} s", due=False, of=holds.num_rows)
        reported = points.filter(pc.equal(points.column("kind"), "asked"))
        here = np.abs(floats(reported.column("time_s")) - time_s) < 1e-9
        columns = (number, measure.columns[0], measure.u_column or "")
        known = {int(h): (c, u) for h, c, u in zip(*(floats(reported.column(n))[here] for n in columns), strict=True)}
        holds = holds.filter(pa.array(~last))
        value = np.array([known.get(int(h), (np.nan, np.nan)) for h in holds.column(number).to_pylist()])
        why = "" if known else f"no hold lasted {time_s:g} s"
        why = why or why_missing(holds, value[:, 0])
        return items(holds, number, value[:, 0], value[:, 1], asked.rate, why=why)

    return make


def going_on(holds: pa.Table, until_s: float) -> NDArray[np.bool_]:
    """Holds in which the log ends before a time after loading: the last alone, in others it only breaks off."""
    return np.asarray(broken_off(holds, until_s) & (np.arange(holds.num_rows) == holds.num_rows - 1))


def broken_off(holds: pa.Table, until_s: float) -> NDArray[np.bool_]:
    """Holds whose load was not seen to leave, before a time after loading."""
    ended = np.array(holds.column("complete").to_pylist(), bool)
    return np.asarray(~ended & (floats(holds.column("duration_s")) < until_s))
