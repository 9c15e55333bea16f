"""Judged measures of sweeps."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.left_out import item_reasons
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Values, _items, _measured, _own_u, _why, values_of
from benchpipe.columns import floats


def _sweeps(measure: Measure, rows: pa.Table, rate: float) -> Values:
    if len(measure.columns) == 1:
        return _measured(measure, rows, "sweep", rate)
    one, other = (floats(rows.column(name)) for name in measure.columns)
    if measure.name == "travel":
        return _items(rows, "sweep", one - other, None, rate)
    u = np.maximum(*(floats(rows.column(f"{name}_u")) for name in measure.columns))
    larger = np.maximum(one, other)
    return _items(rows, "sweep", larger, u, rate, why=_why(rows, larger))


def _parts_of_resistance(measure: Measure, sweeps: pa.Table, rows: pa.Table, rate: float) -> Values:
    """A part of the resistance from the fit over all sweeps: one value a direction."""
    together = rows.filter(pc.is_null(rows.column("sweep")))
    value = floats(together.column(measure.columns[0]))
    number = np.full(len(value), float(pc.max(sweeps.column("sweep")).as_py() or 0))
    names = tuple(str(way) for way in together.column("direction").to_pylist())
    starts = sweeps.column("start_us").to_pylist()
    codes, share = item_reasons(sweeps, rate)
    worst = int(share.argmax())  # the fit is over all sweeps: as spoiled as the worst of them
    return values_of(
        number, value, _own_u(measure, together), len(value), names=names, why=_why(together, value),
        reason=np.full(len(value), codes[worst]), lost_share=np.full(len(value), share[worst]),
        between_us=(starts[0], starts[-1]),
    )  # fmt: skip
