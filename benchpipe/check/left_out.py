"""What was not measured: why a cycle, hold or sweep may hide what a limit forbids.

A limit that no cycle may break is met only where every cycle shows that it met it. A cycle whose figure is
missing, or some of whose samples are, may have broken it. An incomplete cycle without missing samples (a stop,
the end of a log) hides nothing: its extremes count, its loop is not measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.config.limits import AcceptConfig
from benchpipe.kernels.robust import mad_sigma
from benchpipe.process.repeats import REPEAT_COLUMNS
from benchpipe.process.trends import floats
from benchpipe.tables import CycleFlag

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
# Key in a limit file → words; the worst first: a cycle that has several is counted under the first.
REASONS: dict[str, str] = {
    "saturated": "saturated",
    "gap": "with a gap or broken off by one",
    "lost_rows": "with rejected rows or rows without a value",
    "reversed": "with a loop the wrong way round (a reversed channel)",
    "stood_still": "in which a channel stood still",
    "stuck": "with a channel stuck or clipped in a part",
    "thinned": "with samples missing",
    "under_sampled": "under-sampled",
    "uncrossed": "that went on without crossing both thresholds",
    "missing": "not measured",
    "uncounted": "counted by the rig and not logged",
    "incomplete": "incomplete (a stop, the end of a log)",
}
NAMES = tuple(REASONS)
NONE = -1
INCOMPLETE = NAMES.index("incomplete")
THINNED_FROM = 1.5  # of the usual step: one row that is missing makes two, a clock that jitters makes less
MOST_LOST = 0.2  # of a cycle's rows: with more, its figures are not those of the cycle
BY_FLAG = (
    ("saturated", CycleFlag.SATURATED), ("gap", CycleFlag.GAP | CycleFlag.BROKEN_OFF),
    ("lost_rows", CycleFlag.LOST_ROWS), ("stood_still", CycleFlag.STOOD_STILL),
    ("uncrossed", CycleFlag.UNCROSSED), ("under_sampled", CycleFlag.UNDER_SAMPLED),
)  # fmt: skip
NEIGHBOURS = 11  # cycles that a cycle's samples are compared with, itself among them
FEWER_SAMPLES = 1.5  # a boundary falls before or after a sample
FAR = 6.0  # robust standard deviations
MOST_NEGATIVE = 0.01  # loss factor that noise may make
REVERSED = 0.95  # of the cycles
LEAST_REVERSED = 10
BOUNDS = tuple(NAMES.index(name) for name in ("saturated", "stuck"))  # an extreme was at least what was read
CYCLE_COLUMNS = [*REPEAT_COLUMNS, "loss_factor", "period_s", "lost_rows", "uncrossed", "longest_step_s"]


@dataclass(frozen=True)
class LogClock:
    """How a rig's log tells the time.

    Attributes
    ----------
    rate : float
        Samples a second.
    restarts_us : tuple of int
        Times at which the clock began again: what was broken off there ended with its log.
    by_sample : bool
        The log has no time column: rows are counted.
    """

    rate: float
    restarts_us: tuple[int, ...] = ()
    by_sample: bool = False


@dataclass(frozen=True)
class LeftOut:
    """How many were left out for one reason, and which came first."""

    reason: str
    count: int
    first: str

    @property
    def words(self) -> str:
        """``3 saturated (first: cycle 17)``."""
        return f"{self.count:,} {REASONS[self.reason]}" + (f" (first: {self.first})" if self.first else "")


def reversed_loops(rows: pa.Table) -> NDArray[np.bool_]:
    """Cycles whose loop gives energy out: a channel is reversed, whatever the specimen does.

    A loop of next to no loss may be a little negative by noise: it counts only beyond :data:`MOST_NEGATIVE`, or
    where nearly all are.
    """
    loss = floats(rows.column("loss_factor"))
    known = loss[np.isfinite(loss)]
    if known.size >= LEAST_REVERSED and float((known < 0.0).mean()) >= REVERSED:
        return np.isfinite(loss)
    return np.asarray(np.nan_to_num(loss) < -MOST_NEGATIVE)


def cycle_reasons(
    rows: pa.Table,
    ended: NDArray[np.bool_],
    clock: LogClock,
    value: Floats,
    reversed_loop: NDArray[np.bool_],
    held: NDArray[np.bool_],
) -> Codes:
    """Why each cycle may hide something: a place in :data:`NAMES`, or -1.

    Parameters
    ----------
    rows : pyarrow Table
        Columns :data:`CYCLE_COLUMNS` and ``complete``, n rows.
    ended : bool array, shape (n,)
        The cycle was broken off where the log ended and its clock began again: nothing between is missing.
    clock : LogClock
    value : float64 array, shape (n,)
        The figure; NaN where it is missing.
    reversed_loop : bool array, shape (n,)
        The loop is the wrong way round, and the figure is of the loop's loss.
    held : bool array, shape (n,)
        A channel holds one value for a part of the cycle.
    """
    flags, complete = np.array(rows.column("flags"), np.int64), np.array(rows.column("complete"), bool)
    flags = np.where(ended, flags & ~int(CycleFlag.BROKEN_OFF), flags)
    period, samples = floats(rows.column("period_s")), floats(rows.column("samples"))
    step = period[complete] / np.maximum(samples[complete], 1.0)
    usual = max(1.0 / clock.rate, float(np.nanmedian(step)) if np.isfinite(step).any() else 0.0)
    loop = (flags & int(CycleFlag.PEAKS_ONLY)) == 0
    found = {name: (flags & int(bits)) != 0 for name, bits in BY_FLAG}
    found["thinned"] = loop & (np.nan_to_num(floats(rows.column("longest_step_s"))) > THINNED_FROM * usual)
    if clock.by_sample:  # rows that are missing make a cycle shorter than its neighbours
        found["thinned"] |= loop & _too_short(samples, complete)
    unknown = (flags & int(CycleFlag.SEVERAL_LOOPS | CycleFlag.PART_OF_LOOP)) != 0  # a ramp alone hides no loop
    found["missing"] = (complete | unknown) & ~np.isfinite(value)
    found["reversed"] = reversed_loop
    found["stuck"] = held
    found["incomplete"] = ~complete
    codes = np.full(len(flags), NONE, np.int8)
    for name in reversed(NAMES):  # the worst is written last
        if name in found:
            codes[found[name]] = NAMES.index(name)
    return codes


def _too_short(samples: Floats, complete: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Complete cycles with fewer samples than the ten about them, beyond what those scatter."""
    from scipy.ndimage import median_filter

    short = np.zeros(len(samples), bool)
    own = samples[complete]
    if own.size >= NEIGHBOURS:
        less = median_filter(own, NEIGHBOURS, mode="nearest") - own
        short[complete] = less > np.maximum(FEWER_SAMPLES, FAR * mad_sigma(less))
    return short


def too_much_lost(rows: pa.Table) -> NDArray[np.bool_]:
    """Cycles of which so many rows are lost that their figures are not measured."""
    lost = floats(rows.column("lost_rows"))
    return np.asarray(lost > MOST_LOST * (lost + floats(rows.column("samples"))))


def item_reasons(rows: pa.Table, rate: float) -> tuple[Codes, Floats]:
    """Why each hold, sweep, window, proof or lock change may hide something, and the share of its rows that is lost.

    Parameters
    ----------
    rows : pyarrow Table
        Columns ``samples``, ``lost_rows``, ``longest_step_s``; a part of the resistance has none of them.
    """
    count = rows.num_rows
    codes, share = np.full(count, NONE, np.int8), np.zeros(count)
    if "lost_rows" not in rows.column_names:
        return codes, share
    lost, samples = np.nan_to_num(floats(rows.column("lost_rows"))), floats(rows.column("samples"))
    missing = np.maximum(np.nan_to_num(floats(rows.column("longest_step_s"))) * rate - 1.0, 0.0)
    thin = missing > THINNED_FROM - 1.0
    codes[thin] = NAMES.index("thinned")
    codes[lost > 0] = NAMES.index("lost_rows")
    missing = np.where(lost > 0, lost, np.where(thin, missing, 0.0))
    if "stuck_rows" in rows.column_names:
        stuck = np.nan_to_num(floats(rows.column("stuck_rows")))
        codes[stuck > missing] = NAMES.index("stuck")
        missing = np.maximum(stuck, missing)
    share[:] = missing / np.maximum(lost + samples, 1.0)
    return codes, share


def accepted_rows(codes: Codes, complete: NDArray[np.bool_], accept: AcceptConfig, of: int) -> NDArray[np.bool_]:
    """Rows left out for a reason of which a limit accepts so many; one that is incomplete is that, whatever else."""
    accepted = np.zeros(len(codes), bool)
    plain = np.where(complete, codes, np.where(codes == NAMES.index("gap"), codes, INCOMPLETE))
    for name, share in accept.shares():
        here = plain == NAMES.index(name)
        if 0 < here.sum() <= share * of:
            accepted |= here
    return accepted


def counted(
    codes: Codes, called: Callable[[int], str], *, uncounted: float = 0.0, where: str = ""
) -> tuple[LeftOut, ...]:
    """How many were left out, by reason, the worst first.

    Parameters
    ----------
    called : callable
        What a row is called, such as ``"cycle 17"``, by its place.
    uncounted : float
        Cycles that the rig counted and nobody logged, and ``where`` the first of them was.
    """
    found = []
    for place, name in enumerate(NAMES):
        at = np.flatnonzero(codes == place)
        if at.size:
            found.append(LeftOut(name, int(at.size), called(int(at[0]))))
        elif name == "uncounted" and uncounted >= 0.5:
            found.append(LeftOut(name, round(uncounted), where))
    return tuple(found)


def not_accepted(left_out: Iterable[LeftOut], accept: AcceptConfig, of: int) -> tuple[LeftOut, ...]:
    """What hides more than the limit accepts; an incomplete cycle without missing samples hides nothing."""
    shares = dict(accept.shares())
    return tuple(
        one for one in left_out if one.reason != "incomplete" and one.count > shares.get(one.reason, 0.0) * max(of, 1)
    )


def listed(left_out: Iterable[LeftOut]) -> str:
    """All of it in words."""
    return ", ".join(one.words for one in left_out)
