"""Judged measures of proofs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa

from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Values, _measured, _of_two_times, nothing
from benchpipe.columns import floats


def _proofs(measure: Measure, rows: pa.Table, rate: float) -> Values:
    """One value a proof; none for one in which the log ends, unless its load was lost before."""
    undecided = np.array([outcome == "inconclusive" for outcome in rows.column("outcome").to_pylist()])
    failed = np.array([outcome == "failed" for outcome in rows.column("outcome").to_pylist()])
    done = np.array(rows.column("complete").to_pylist(), bool) | failed | undecided
    if not done.any():
        return nothing("the log ends inside the proof", due=False, of=rows.num_rows)
    found = _measured(measure, rows, "proof", rate)
    if undecided.any() and not np.isfinite(found.value[done]).any():
        found = replace(found, doubt=str(rows.column("remark")[int(np.flatnonzero(undecided)[-1])].as_py() or ""))
    if measure.unit == "s":
        found = replace(found, u=np.full(len(found.value), _of_two_times(rate)))
    if measure.u_column is None and measure.unit == "load":  # one reading, the largest of many: it reads high by noise
        found = replace(found, u=2.0 * floats(rows.column("load_noise")))
    return found.select(done)
