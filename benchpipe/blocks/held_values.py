"""Values of a creep curve at a time, and whether the hold still lasts or broke off."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Values, _items, _why, nothing
from benchpipe.columns import floats


def _creep(at_time: float, measure: Measure, holds: pa.Table, points: pa.Table, rate: float) -> Values:
    """Creep at the asked time, one value a hold: NaN for one that ended before, none for one that goes on."""
    going_on = _going_on(holds, at_time)
    if going_on.all():
        lasted = float(floats(holds.column("duration_s"))[-1])
        return nothing(f"the hold has lasted {lasted:.4g} of {at_time:g} s", due=False, of=holds.num_rows)
    asked = points.filter(pc.equal(points.column("kind"), "asked"))
    here = np.abs(floats(asked.column("time_s")) - at_time) < 1e-9
    columns = (measure.kind, measure.columns[0], measure.u_column or "creep_u")
    known = {int(h): (c, u) for h, c, u in zip(*(floats(asked.column(n))[here] for n in columns), strict=True)}
    holds = holds.filter(pa.array(~going_on))
    value = np.array([known.get(int(h), (np.nan, np.nan)) for h in holds.column(measure.kind).to_pylist()])
    why = "" if known else f"no hold lasted {at_time:g} s"
    return _items(holds, measure.kind, value[:, 0], value[:, 1], rate, why=why or _why(holds, value[:, 0]))


def _going_on(holds: pa.Table, until_s: float) -> NDArray[np.bool_]:
    """Holds in which the log ends before a time after loading: the last alone, in others it only breaks off."""
    return np.asarray(_broken_off(holds, until_s) & (np.arange(holds.num_rows) == holds.num_rows - 1))


def _broken_off(holds: pa.Table, until_s: float) -> NDArray[np.bool_]:
    """Holds whose load was not seen to leave, before a time after loading."""
    ended = np.array(holds.column("complete").to_pylist(), bool)
    return np.asarray(~ended & (floats(holds.column("duration_s")) < until_s))
