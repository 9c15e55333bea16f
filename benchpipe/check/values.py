"""The values a limit is judged on: taken from the tables, with their own uncertainty and what may hide others."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.check.left_out import NONE, Codes, item_reasons
from benchpipe.check.measures import Measure
from benchpipe.check.run_tables import RunTables
from benchpipe.config.limits import LimitConfig
from benchpipe.process.trends import floats

Floats = NDArray[np.float64]
TABLE = {
    "hold": "holds", "relaxation": "relaxations",
    "sweep": "sweeps", "stance": "stances", "proof": "proofs", "locking": "lock_changes",
}  # fmt: skip


@dataclass(frozen=True)
class Typical:
    """Medians over the cycles judged, for the sensitivities of a budget; NaN: not known.

    Besides: the noise of a sample, in the run's units, and the steps of the channels' last digits, in the channels'.
    """

    load_range: float = float("nan")
    motion_range: float = float("nan")
    period_s: float = float("nan")
    phase_deg: float = float("nan")
    samples: float = float("nan")
    load_noise: float = float("nan")
    motion_noise: float = float("nan")
    load_digit: float = float("nan")
    motion_digit: float = float("nan")


@dataclass(frozen=True)
class Values:
    """What a limit is judged on.

    Attributes
    ----------
    number : float64 array, shape (n,)
        Cycle, hold or sweep number; of an incomplete cycle that of the complete one before it.
    value, u, dof : float64 arrays, shape (n,)
        Value (NaN where it could not be measured), its own standard uncertainty (NaN: it has none) and degrees of
        freedom.
    reason : int8 array, shape (n,)
        Why it may hide something (:data:`benchpipe.check.left_out.NAMES`), -1 where it does not.
    complete : bool array, shape (n,)
        Both ends of a cycle were seen; true of all else.
    whole : bool array, shape (n,)
        It counts for medians, means and shares: measured, and complete.
    own_parts : tuple of pairs
        What is in ``u`` by name: float64 arrays, shape (n,).
    lost_share : float64 array, shape (n,)
        Share of the rows of a hold, sweep, window or proof that is lost.
    names : tuple of str
        What each is called; empty for cycles, which are called by their number.
    of : int
        How many there should be: every cycle begun, and those that the rig counted and nobody logged.
    due : bool
        False while the plan has not come to it yet.
    why : str
        Why there is nothing to judge.
    doubt : str
        Why the values leave the verdict undecided, whatever they are.
    uncounted : float
        Cycles that the rig counted and nobody logged.
    block : str
        Name of the block.
    between_us, begun_us : pair of int, int
        From when to when it was measured, and when the block began.
    sampling_u : float64 array, shape (n,), or None
        Standard uncertainty of each value from what sampling may have missed; None where nothing can be.
    behind_gaps : float
        Cycles that there was time for in gaps of the log, where no counter says how many there were.
    band : pair of float
        Parts of a cycle's load range between which a tangent stiffness is fitted.
    """

    number: Floats
    value: Floats
    u: Floats
    dof: Floats
    reason: Codes
    complete: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    lost_share: Floats
    names: tuple[str, ...]
    of: int
    due: bool = True
    why: str = ""
    doubt: str = ""
    uncounted: float = 0.0
    between_us: tuple[int, int] | None = None
    begun_us: int | None = None
    block: str = ""
    typical: Typical = field(default_factory=Typical)
    sampling_u: Floats | None = None
    own_parts: tuple[tuple[str, Floats], ...] = ()
    band: tuple[float, float] = (0.2, 0.8)
    behind_gaps: float = 0.0

    def called(self, at: int) -> str:
        """What one of them is called, such as ``hold 2``."""
        if self.names:
            return self.names[at]
        return f"{'' if self.complete[at] else 'after '}cycle {self.number[at]:,.0f}"

    def followed_by(self, other: Values) -> Values:
        """These and then others of the same cycles."""
        arrays: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)])
            for name in ("number", "value", "u", "dof", "reason", "complete", "whole", "lost_share")
        }
        missed = self.sampling_u
        if missed is not None:
            missed = np.concatenate([missed, np.zeros(len(other.value))])
        return replace(self, **arrays, sampling_u=missed, of=self.of + other.of)

    def select(self, mask: NDArray[np.bool_]) -> Values:
        """Some of them."""
        arrays: dict[str, Any] = {
            name: getattr(self, name)[mask]
            for name in ("number", "value", "u", "dof", "reason", "complete", "whole", "lost_share")
        }
        missed = self.sampling_u[mask] if self.sampling_u is not None else None
        names = tuple(name for name, keep in zip(self.names, mask, strict=True) if keep) if self.names else ()
        parts = tuple((name, u[mask]) for name, u in self.own_parts)
        return replace(self, **arrays, sampling_u=missed, names=names, own_parts=parts)


def values_of(number: Floats, value: Floats, u: Floats | None, of: int, *, what: str = "", **more: Any) -> Values:
    """Values of which nothing is left out, unless ``more`` says so."""
    count = len(value)
    plain: dict[str, Any] = {
        "dof": np.full(count, np.inf),
        "reason": np.full(count, NONE, np.int8),
        "complete": np.ones(count, bool),
        "whole": np.isfinite(value),
        "lost_share": np.zeros(count),
        "names": tuple(f"{what} {n:.0f}".strip() for n in number),
    }
    return Values(number, value, np.full(count, np.nan) if u is None else u, of=of, **(plain | more))


def nothing(why: str, *, due: bool, of: int = 0) -> Values:
    """No values, and why."""
    empty = np.empty(0)
    return values_of(empty, empty, empty, of, due=due, why=why)


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


def _items(rows: pa.Table, number: str, value: Floats, u: Floats | None, rate: float, **more: Any) -> Values:
    """One value a row of a table, with what of its rows is lost."""
    reason, share = item_reasons(rows, rate)
    starts = rows.column("start_us").to_pylist() if "start_us" in rows.column_names else []
    between = (starts[0], starts[-1]) if starts else None
    what = number.replace("_", " ")
    return values_of(
        floats(rows.column(number)), value, u, len(value), what=what, reason=reason, lost_share=share,
        between_us=between, **more,
    )  # fmt: skip


def _own_u(measure: Measure, rows: pa.Table) -> Floats | None:
    return floats(rows.column(measure.u_column)) if measure.u_column else None


def _measured(measure: Measure, rows: pa.Table, number: str, rate: float) -> Values:
    """One column with its own uncertainty."""
    value = floats(rows.column(measure.columns[0]))
    more = {"dof": floats(rows.column(measure.dof_column))} if measure.dof_column else {}
    return _items(rows, number, value, _own_u(measure, rows), rate, why=_why(rows, value), **more)


def _why(rows: pa.Table, value: Floats) -> str:
    """What the table says of the last value that could not be measured."""
    lost = np.flatnonzero(~np.isfinite(value))
    return str(rows.column("remark")[int(lost[-1])].as_py() or "") if lost.size else ""


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


def _of_two_times(rate: float) -> float:
    """Standard uncertainty of a time between two samples: each edge lies anywhere in a step (rectangular)."""
    return float(np.sqrt(2.0 / 12.0) / rate)


def _sweeps(measure: Measure, rows: pa.Table, rate: float) -> Values:
    if len(measure.columns) == 1:
        return _measured(measure, rows, "sweep", rate)
    one, other = (floats(rows.column(name)) for name in measure.columns)
    if measure.name == "travel":
        return _items(rows, "sweep", one - other, None, rate)
    u = np.maximum(*(floats(rows.column(f"{name}_u")) for name in measure.columns))
    larger = np.maximum(one, other)
    return _items(rows, "sweep", larger, u, rate, why=_why(rows, larger))


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
