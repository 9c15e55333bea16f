"""Values that a limit is judged on, each with its own uncertainty, and missing ones that may hide a violation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.base import Events
from benchpipe.blocks.left_out import NONE, Codes, LogClock, item_reasons
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.run_tables import RunTables
from benchpipe.columns import floats
from benchpipe.config.limits import LimitConfig

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Asked:
    """What the values of a limit are taken from.

    Attributes
    ----------
    block : BlockConfig
        Of the measure's kind.
    clock : LogClock
        How the log tells the time, and where that began again.
    waits : str
        What of the plan is still under way before this block, in words: no hold or sweep is due then.
    others : tuple of Events
        Of the plan's other kinds: they may lie in the time of this block.
    """

    limit: LimitConfig
    measure: Measure
    block: Any
    tables: RunTables
    clock: LogClock
    waits: str = ""
    others: tuple[Events, ...] = ()

    @property
    def rate(self) -> float:
        """Samples a second."""
        return self.clock.rate


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
class Through:
    """How a figure follows a channel: its relative change for a relative change of the channel's values.

    ``size`` is the range of the channel behind the figure, in the channel's unit: what a floor of its uncertainty is
    a part of.
    """

    channel: str
    factor: float
    size: float


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
        Why it may hide something (:data:`benchpipe.blocks.left_out.NAMES`), -1 where it does not.
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
        How many there should be: every cycle begun, and those that the rig counted and no log holds.
    due : bool
        False while the plan has not come to it yet.
    why : str
        Why there is nothing to judge.
    doubt : str
        Why the values prove no pass, whatever they are.
    uncounted : float
        Cycles that the rig counted and no log holds.
    uncounted_after : float
        Those of them after the last cycle that was measured.
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
    measured : float
        Share of what a mean is made of that could be measured, where the mean is one value here.
    through : tuple of Through
        Channels besides load and motion that the figure follows.
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
    uncounted_after: float = 0.0
    between_us: tuple[int, int] | None = None
    begun_us: int | None = None
    block: str = ""
    typical: Typical = field(default_factory=Typical)
    sampling_u: Floats | None = None
    own_parts: tuple[tuple[str, Floats], ...] = ()
    band: tuple[float, float] = (0.2, 0.8)
    behind_gaps: float = 0.0
    measured: float = 1.0
    through: tuple[Through, ...] = ()

    def called(self, at: int) -> str:
        """What one of them is called, such as ``hold 2``."""
        if self.names:
            return self.names[at]
        return f"{'' if self.complete[at] else 'after '}cycle {self.number[at]:,.0f}"

    def followed_by(self, other: Values) -> Values:
        """These and then others of the same cycles, or of the same kind."""
        arrays: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)])
            for name in ("number", "value", "u", "dof", "reason", "complete", "whole", "lost_share")
        }
        missed = self.sampling_u
        if missed is not None:
            missed = np.concatenate([missed, np.zeros(len(other.value))])
        return replace(self, **arrays, sampling_u=missed, of=self.of + other.of, names=self.names + other.names)

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


def items(rows: pa.Table, number: str, value: Floats, u: Floats | None, rate: float, **more: Any) -> Values:
    """One value a row of a table, with what of its rows is lost."""
    reason, share = item_reasons(rows, rate)
    starts = rows.column("start_us").to_pylist() if "start_us" in rows.column_names else []
    between = (starts[0], starts[-1]) if starts else None
    what = number.replace("_", " ")
    return values_of(
        floats(rows.column(number)), value, u, len(value), what=what, reason=reason, lost_share=share,
        between_us=between, **more,
    )  # fmt: skip


def own_u(measure: Measure, rows: pa.Table) -> Floats | None:
    return floats(rows.column(measure.u_column)) if measure.u_column else None


def of_rows(table: str, make: Callable[[Asked, pa.Table], Values], left: str = "") -> Callable[[Asked], Values]:
    """Values made from a block's rows of a table; without rows none, and why.

    With a table ``left`` of what is left of broken-off ones, a block that has only such rows may fail by them, and
    passes by none.
    """

    def values(asked: Asked) -> Values:
        rows = asked.tables.block(table, asked.block.name)
        if rows.num_rows:
            return make(asked, rows)
        if asked.waits:
            return nothing(f"no {asked.measure.kind} yet, {asked.waits}", due=False)
        where = f"was found in the logs of block '{asked.block.name}'"
        if left and asked.tables.block(left, asked.block.name).num_rows:
            rest = make(asked, rows)
            if np.isfinite(rest.value).any():
                return replace(rest, doubt=f"no whole {asked.measure.kind} {where}")
            if rest.value.size:
                return rest
        return nothing(f"no {asked.measure.kind} {where}", due=True)

    return values


def column_of(number: str) -> Callable[[Asked, pa.Table], Values]:
    """Values of one column with its own uncertainty; ``number`` is the column that numbers the rows."""

    def make(asked: Asked, rows: pa.Table) -> Values:
        measure = asked.measure
        value = floats(rows.column(measure.columns[0]))
        more = {"dof": floats(rows.column(measure.dof_column))} if measure.dof_column else {}
        own = own_u(measure, rows)
        return items(rows, number, value, own, asked.rate, why=why_missing(rows, value), **more)

    return make


def why_missing(rows: pa.Table, value: Floats) -> str:
    """What the table says of the last value that could not be measured."""
    lost = np.flatnonzero(~np.isfinite(value))
    return str(rows.column("remark")[int(lost[-1])].as_py() or "") if lost.size else ""


def of_two_times(rate: float) -> float:
    """Standard uncertainty of a time between two samples: each edge lies anywhere in a step (rectangular)."""
    return float(np.sqrt(2.0 / 12.0) / rate)
