"""The values a limit is judged on: taken from the tables, with their own uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.check.measures import Measure
from benchpipe.check.sampling import Sampled, sampling_u
from benchpipe.config.limits import LimitConfig
from benchpipe.config.plan import Block
from benchpipe.process.order import SPANNED
from benchpipe.process.settled import settled_cycles
from benchpipe.process.trends import NOT_JUDGED, floats
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.tables import CycleFlag

Floats = NDArray[np.float64]
NO_CYCLE = "no complete cycle was found"


@dataclass(frozen=True)
class Values:
    """What a limit is judged on.

    Attributes
    ----------
    number : float64 array, shape (n,)
        Cycle, hold or sweep number.
    value, u : float64 arrays, shape (n,)
        Value (NaN where it could not be measured) and its own standard uncertainty.
    of : int
        How many there should be.
    due : bool
        False while the plan has not come to it yet.
    why : str
        Why there is nothing to judge.
    load_range, motion_range : float
        Typical ranges, for the uncertainty.
    sampling_u : float64 array, shape (n,), or None
        Standard uncertainty of each value from what sampling may have missed; None where nothing can be.
    """

    number: Floats
    value: Floats
    u: Floats
    of: int
    due: bool = True
    why: str = ""
    load_range: float = float("nan")
    motion_range: float = float("nan")
    sampling_u: Floats | None = None


def nothing(why: str, *, due: bool, of: int = 0) -> Values:
    """No values, and why."""
    empty = np.empty(0)
    return Values(empty, empty, empty, of, due, why)


class RunTables:
    """The tables of a run, read when a limit asks; of the cycles only what it asks for."""

    def __init__(self, store: RunStore, manifest: Manifest) -> None:
        self._store, self._manifest = store, manifest
        self._known: dict[str, pa.Table] = {}

    def whole(self, table: str) -> pa.Table:
        """All rows of a table."""
        if table not in self._known:
            self._known[table] = self._store.read(self._manifest, table)
        return self._known[table]

    def block(self, table: str, block: str) -> pa.Table:
        """Rows of one block."""
        rows = self.whole(table)
        return rows.filter(pc.equal(rows.column("block"), block))

    def begun(self, block: Block) -> bool:
        """Whether something of a block was measured that says when its time was."""
        if block.kind == "cyclic":
            return self.last_cycle(block.name) > 0
        return block.kind in SPANNED and self.block(SPANNED[block.kind], block.name).num_rows > 0

    def last_cycle(self, block: str) -> int:
        """Number of the last complete cycle of a block; 0 where there is none."""
        known = settled_cycles(block, self._store, self._manifest)
        if known is not None:
            return known.last
        number = self._rows(block, ["cycle"], 1, None).column("cycle")
        return int(pc.max(number).as_py() or 0)

    def cycles(self, block: str, columns: list[str], first: int, last: int) -> pa.Table:
        """Columns of the complete cycles of a block from one number to another."""
        rows = self._rows(block, ["cycle", *columns], first, last)
        number = rows.column("cycle")
        return rows.filter(pc.and_(pc.greater_equal(number, first), pc.less_equal(number, last)))

    def _rows(self, block: str, columns: list[str], first: int, last: int | None) -> pa.Table:
        known = settled_cycles(block, self._store, self._manifest)
        if known is not None:
            return known.read(list(dict.fromkeys(columns)), first, last)
        rows = self._store.read(self._manifest, "cycles", list(dict.fromkeys(["block", *columns])))
        return rows.filter(pc.equal(rows.column("block"), block))


def collect(
    limit: LimitConfig, measure: Measure, block: str, tables: RunTables, *, started: bool, waits: str = ""
) -> Values:
    """Values of a limit on one block.

    Parameters
    ----------
    started : bool
        Whether any log of the block is there; one whose rows were all rejected counts.
    waits : str
        What of the plan is still under way before this block, in words: no hold or sweep is due then.
    """
    if not started:
        return nothing("no log of this block yet", due=False)
    if measure.kind == "cyclic":
        return _of_cycles(limit, measure, block, tables)
    rows = tables.block(_TABLE[measure.kind], block)
    if rows.num_rows == 0:
        if waits:
            return nothing(f"no {measure.kind} yet, {waits}", due=False)
        return nothing(f"no {measure.kind} was found in the logs of block '{block}'", due=True)
    if measure.table == "resistance":
        return _of_parts(measure, tables.block("resistance", block))
    if measure.kind == "sweep":
        return _of_sweeps(measure, rows)
    if measure.kind == "proof":
        return _of_proofs(measure, rows)
    if measure.kind == "locking":
        return _of_locks(limit, measure, rows)
    if measure.kind == "stance":
        return _measured(measure, rows, floats(rows.column("stance")))
    if measure.name == "creep":
        return _of_creep(limit.at_time or 0.0, rows, tables.block("creep_points", block))
    return _of_holds(limit, measure, rows)


def _of_cycles(limit: LimitConfig, measure: Measure, block: str, tables: RunTables) -> Values:
    last = tables.last_cycle(block)
    if measure.name == "cycles_done":
        done = float(last)
        reached = limit.operator == "<=" or done >= limit.value.value
        why = "" if reached else f"{last:,} of {limit.value.value:,.0f} cycles so far"
        return Values(np.array([done]), np.array([done]), np.zeros(1), last, reached, why)
    if last == 0:
        return nothing(NO_CYCLE, due=True)
    first, until = limit.cycles or (last - limit.last_cycles + 1 if limit.last_cycles else 1, last)
    if first < 1 or until > last:
        return nothing(f"{last:,} cycles so far", due=False, of=until - max(first, 1) + 1)
    columns = ["flags", *measure.columns, "load_range", "motion_range", *(f.name for f in fields(Sampled))]
    rows = tables.cycles(block, columns, first, until)
    flags = np.array(rows.column("flags"))
    if measure.name == "off_target":
        value = ((flags & int(CycleFlag.OFF_TARGET)) != 0).astype(float)
    else:
        value = floats(rows.column(measure.columns[0]))
        value[(flags & int(NOT_JUDGED)) != 0] = np.nan
    return Values(
        floats(rows.column("cycle")), np.abs(value) if measure.absolute else value, np.zeros(len(value)),
        until - first + 1,
        load_range=_typical(rows, "load_range"),
        motion_range=_typical(rows, "motion_range"),
        sampling_u=_missed(measure, value, rows),
    )  # fmt: skip


def _missed(measure: Measure, value: Floats, rows: pa.Table) -> Floats | None:
    """What sampling may have taken off each cycle's value."""
    if not measure.sampling:
        return None
    return sampling_u(measure, value, Sampled(*(floats(rows.column(f.name)) for f in fields(Sampled))))


def _typical(rows: pa.Table, column: str) -> float:
    values = floats(rows.column(column))
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else float("nan")


def _of_creep(at_time: float, holds: pa.Table, points: pa.Table) -> Values:
    """Creep at the asked time, one value a hold: NaN for one that ended before, none for one that goes on."""
    number, going_on = floats(holds.column("hold")), _going_on(holds, at_time)
    asked = points.filter(pc.equal(points.column("kind"), "asked"))
    here = np.abs(floats(asked.column("time_s")) - at_time) < 1e-9
    known = {int(h): (abs(c), u) for h, c, u in zip(*(floats(asked.column(n))[here] for n in _CREEP), strict=True)}
    if going_on.all():
        lasted = float(floats(holds.column("duration_s"))[-1])
        return nothing(f"the hold has lasted {lasted:.4g} of {at_time:g} s", due=False, of=len(number))
    number = number[~going_on]
    value = np.array([known.get(int(h), (np.nan, np.nan)) for h in number])
    why = "" if known else f"no hold lasted {at_time:g} s"
    return Values(number, value[:, 0], value[:, 1], len(number), why=why)


_TABLE = {"hold": "holds", "sweep": "sweeps", "stance": "stances", "proof": "proofs", "locking": "lock_changes"}
_CREEP = ("hold", "creep", "creep_u")


def _going_on(holds: pa.Table, until_s: float) -> NDArray[np.bool_]:
    """Holds in which the log ends before a time after loading: the last alone, in others it only breaks off."""
    return np.asarray(_broken_off(holds, until_s) & (np.arange(holds.num_rows) == holds.num_rows - 1))


def _broken_off(holds: pa.Table, until_s: float) -> NDArray[np.bool_]:
    """Holds whose load was not seen to leave, before a time after loading."""
    ended = np.array(holds.column("complete").to_pylist(), bool)
    return np.asarray(~ended & (floats(holds.column("duration_s")) < until_s))


def _of_holds(limit: LimitConfig, measure: Measure, rows: pa.Table) -> Values:
    value = floats(rows.column(measure.columns[0]))
    u = floats(rows.column(measure.u_column)) if measure.u_column else np.zeros(len(value))
    if measure.name == "law_spread":
        value = value - floats(rows.column(measure.columns[1]))
    if measure.name == "log_slope":  # an end that the hold does not bound is null
        u = 0.25 * (floats(rows.column("log_slope_high")) - floats(rows.column("log_slope_low")))
    why = ""
    if measure.name == "leak_per_h":  # whatever figure the best law has
        undecided = np.array([kind == "undecided" for kind in rows.column("kind").to_pylist()], bool)
        value[undecided] = np.nan
        why = "leak and settling are not told apart" if undecided.all() else ""
    number = floats(rows.column("hold"))
    if measure.name == "hold_time" and limit.operator == ">=":
        there = ~_going_on(rows, limit.value.value)
        if not there.any():
            why = f"the hold has lasted {value[-1]:.4g} of {limit.value.value:g} s"
            return nothing(why, due=False, of=len(number))
        value[_broken_off(rows, limit.value.value)] = np.nan  # it may have been held for longer
        why = "the log breaks off in it: how long the load was held is not known"
        number, value, u = number[there], value[there], u[there]
    return Values(number, np.abs(value) if measure.absolute else value, u, len(value), why=why)


def _of_sweeps(measure: Measure, rows: pa.Table) -> Values:
    number = floats(rows.column("sweep"))
    if len(measure.columns) == 1:
        return _measured(measure, rows, number)
    one, other = (floats(rows.column(name)) for name in measure.columns)
    if measure.name == "travel":
        return Values(number, one - other, np.zeros(len(one)), len(one))
    u = np.maximum(*(floats(rows.column(f"{name}_u")) for name in measure.columns))
    return Values(number, np.maximum(one, other), u, len(one), why=_why(rows, np.maximum(one, other)))


def _of_proofs(measure: Measure, rows: pa.Table) -> Values:
    """One value a proof; none for one in which the log ends, unless it failed before."""
    done = np.array([r["complete"] or r["outcome"] == "failed" for r in rows.select(_DONE).to_pylist()], bool)
    if not done.any():
        return nothing("the log ends inside the proof", due=False, of=rows.num_rows)
    rows = rows.filter(pa.array(done))
    return _measured(measure, rows, floats(rows.column("proof")))


_DONE = ["complete", "outcome"]


def _of_locks(limit: LimitConfig, measure: Measure, rows: pa.Table) -> Values:
    """One value for each change that the measure is of; none for the one in which the log ends."""
    number = floats(rows.column("lock_change"))
    if measure.name == "lock_changes":
        due = limit.operator == "<=" or len(number) >= limit.value.value
        why = "" if due else f"{len(number):,} of {limit.value.value:,.0f} changes so far"
        done = np.array([float(len(number))])
        return Values(done, done, np.zeros(1), len(number), due, why)
    last = rows.slice(rows.num_rows - 1)
    if last.column("outcome")[0].as_py() == "cut short":
        rows = rows.slice(0, rows.num_rows - 1)
    of_locks = measure.name in ("slip", "lock_error", "time_to_hold", "lock_failures")
    rows = rows.filter(pc.equal(rows.column("to"), "locked" if of_locks else "unlocked"))
    if rows.num_rows == 0:
        return nothing("no such change yet", due=False)
    return _measured(measure, rows, floats(rows.column("lock_change")))


def _of_parts(measure: Measure, rows: pa.Table) -> Values:
    """A part of the resistance from the fit over all sweeps: one value a direction."""
    last = pc.max(rows.column("sweep")).as_py()
    together = rows.filter(pc.is_null(rows.column("sweep")))
    return _measured(measure, together, np.full(together.num_rows, float(last or 0)))


def _measured(measure: Measure, rows: pa.Table, number: Floats) -> Values:
    """One column with its own uncertainty."""
    value = floats(rows.column(measure.columns[0]))
    u = floats(rows.column(measure.u_column)) if measure.u_column else np.zeros(len(value))
    return Values(number, np.abs(value) if measure.absolute else value, u, len(value), why=_why(rows, value))


def _why(rows: pa.Table, value: Floats) -> str:
    """What the table says of the last value that could not be measured."""
    lost = np.flatnonzero(~np.isfinite(value))
    return str(rows.column("remark")[int(lost[-1])].as_py() or "") if lost.size else ""
