"""Take the values of a limit from the tables: their own uncertainty, and missing ones that may hide a violation."""

from __future__ import annotations

from benchpipe.blocks.held_values import _creep
from benchpipe.blocks.hold.limits import _holds
from benchpipe.blocks.locking.limits import _lock_changes
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.proof.limits import _proofs
from benchpipe.blocks.run_tables import RunTables
from benchpipe.blocks.sweep.limits import _parts_of_resistance, _sweeps
from benchpipe.blocks.values import Values, _measured, nothing
from benchpipe.config.limits import LimitConfig

TABLE = {
    "hold": "holds", "relaxation": "relaxations",
    "sweep": "sweeps", "stance": "stances", "proof": "proofs", "locking": "lock_changes",
}  # fmt: skip


def item_values(
    limit: LimitConfig, measure: Measure, block: str, tables: RunTables, *, rate: float, waits: str = ""
) -> Values:
    """Values of a limit on holds, sweeps, stance windows, proofs or lock changes.

    Parameters
    ----------
    rate : float
        Samples a second of the rig.
    waits : str
        What of the plan is still under way before this block, in words: no hold or sweep is due then.
    """
    rows = tables.block(TABLE[measure.kind], block)
    if rows.num_rows == 0:
        if waits:
            return nothing(f"no {measure.kind} yet, {waits}", due=False)
        return nothing(f"no {measure.kind} was found in the logs of block '{block}'", due=True)
    if measure.table == "resistance":
        return _parts_of_resistance(measure, rows, tables.block("resistance", block), rate)
    if measure.kind == "sweep":
        return _sweeps(measure, rows, rate)
    if measure.kind == "proof":
        return _proofs(measure, rows, rate)
    if measure.kind == "locking":
        return _lock_changes(limit, measure, rows, rate)
    if measure.kind == "stance":
        return _measured(measure, rows, "stance", rate)
    if measure.kind == "relaxation":
        if measure.table == "relaxation_points":
            return _creep(limit.at_time or 0.0, measure, rows, tables.block("relaxation_points", block), rate)
        return _measured(measure, rows, "relaxation", rate)
    if measure.table == "creep_points":
        return _creep(limit.at_time or 0.0, measure, rows, tables.block("creep_points", block), rate)
    return _holds(limit, measure, rows, rate)
