"""What of proofs is judged: one row a measure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa

from benchpipe.blocks.measures import COUNTED, OF_VALUES, Measure
from benchpipe.blocks.values import Asked, Values, column_of, nothing, of_rows, of_two_times
from benchpipe.columns import floats


def _proofs(asked: Asked, rows: pa.Table) -> Values:
    """One value a proof; none for one in which the log ends, unless its load was lost before."""
    undecided = np.array([outcome == "inconclusive" for outcome in rows.column("outcome").to_pylist()])
    failed = np.array([outcome == "failed" for outcome in rows.column("outcome").to_pylist()])
    done = np.array(rows.column("complete").to_pylist(), bool) | failed | undecided
    if not done.any():
        return nothing("the log ends inside the proof", due=False, of=rows.num_rows)
    measure, found = asked.measure, column_of("proof")(asked, rows)
    if undecided.any() and not np.isfinite(found.value[done]).any():
        found = replace(found, doubt=str(rows.column("remark")[int(np.flatnonzero(undecided)[-1])].as_py() or ""))
    if measure.unit == "s":
        found = replace(found, u=np.full(len(found.value), of_two_times(asked.rate)))
    if measure.u_column is None and measure.unit == "load":  # one reading, the largest of many: it reads high by noise
        found = replace(found, u=2.0 * floats(rows.column("load_noise")))
    return found.select(done)


def _proof(
    name: str, column: str, unit: str, load: int, motion: int, meaning: str, *,
    own: bool = True, absolute: bool = False, statistics: frozenset[str] = OF_VALUES,
) -> Measure:  # fmt: skip
    u_column = f"{column}_u" if own else None
    one_sample = column in ("peak_load", "carried_load", "sudden_drop", "rules_broken", "hold_time_s")
    return Measure(
        name, "proof", "proofs", (column,), unit, load, motion, meaning, "", u_column, absolute, one_sample=one_sample,
        statistics=statistics, machine=True, values=of_rows("proofs", _proofs),
    )  # fmt: skip


MEASURES: tuple[Measure, ...] = (
    _proof("loading_rate", "loading_rate", "load/s", 1, 0, "loading rate of a proof", absolute=True),
    _proof("proof_peak_load", "peak_load", "load", 1, 0, "largest load of a proof", own=False, absolute=True),
    _proof("held_load", "held_load", "load", 1, 0, "mean load of a proof's hold", absolute=True),
    _proof("proof_hold_time", "hold_time_s", "s", 0, 0, "how long a proof's load was held", own=False),
    _proof("load_drop", "load_drop", "load", 1, 0, "drop of the load during a proof's hold"),
    _proof("permanent_set", "permanent_set", "motion", 0, 1, "permanent set after a proof", absolute=True),
    _proof("stiffness_before", "stiffness_before", "load/motion", 1, -1, "stiffness, loading to the proof load"),
    _proof("stiffness_after", "stiffness_after", "load/motion", 1, -1, "stiffness, unloading from it"),
    _proof("stiffness_change", "stiffness_change", "1", 0, 0, "stiffness after a proof over that before, less one"),
    _proof("carried_load", "carried_load", "load", 1, 0, "largest load before the first sudden drop or failure",
           own=False, absolute=True),
    _proof("sudden_drops", "sudden_drop", "times", 0, 0, "sudden drops of the load in a proof", own=False,
            statistics=COUNTED),
    _proof("rules_broken", "rules_broken", "times", 0, 0, "rules of the plan that a proof broke", own=False,
            statistics=COUNTED),
)  # fmt: skip
