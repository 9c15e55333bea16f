"""The values of a limit on a cyclic block: the cycles of its window, incomplete ones among them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.reasons import CYCLE_COLUMNS, cycle_reasons, reversed_loops, too_much_lost
from benchpipe.blocks.cyclic.repeats import held_cycles
from benchpipe.blocks.cyclic.run_cycles import Spans, WindowRows, begun_us, cycle_window, elsewhere, last_cycle
from benchpipe.blocks.cyclic.sampling import Sampled, sampling_u
from benchpipe.blocks.cyclic.state import Counted, CycleFigures, Digits
from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.cyclic.trends import NOT_JUDGED
from benchpipe.blocks.left_out import INCOMPLETE, NAMES, NONE, THINNED_FROM, LogClock
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.run_tables import RunTables
from benchpipe.blocks.state import SampleNoise
from benchpipe.blocks.values import Asked, Typical, Values, nothing, values_of
from benchpipe.columns import floats
from benchpipe.config.limits import LimitConfig

Floats = NDArray[np.float64]
NO_CYCLE = "no complete cycle was found"
UNSEEN = ("gap", "unexplained")  # kinds of a difference between counter and detection that cycles hide behind
LARGEST = {"largest": "max", "smallest": "min"}  # extreme of a cycle → of several in one row, found or not
REST = 0.02  # of a cycle's range: so near to zero an incomplete cycle's extreme is that of a specimen at rest


@dataclass(frozen=True)
class CycleWindow:
    """Which cycles of a block are judged, or why none are."""

    first: int
    last: int
    due: bool = True
    why: str = ""


def window_of(limit: LimitConfig, block: str, tables: RunTables) -> CycleWindow:
    """The cycles that a limit asks for: the last so many, from one number to another, or all."""
    last = last_cycle(tables, block)
    if last == 0:
        return CycleWindow(1, 0, True, NO_CYCLE)
    first, until = limit.cycles or (last - limit.last_cycles + 1 if limit.last_cycles else 1, last)
    if first < 1 or until > last:
        return CycleWindow(max(first, 1), until, False, f"{last:,} cycles so far")
    return CycleWindow(first, until)


def cycle_values(asked: Asked) -> Values:
    """Values of a limit on a cyclic block."""
    limit, measure, tables, block = asked.limit, asked.measure, asked.tables, asked.block.name
    window = window_of(limit, block, tables)
    if not window.due:
        return nothing(window.why, due=False, of=window.last - window.first + 1)
    judged = ["load_range", "motion_range", *(f.name for f in fields(Sampled)), *CYCLE_COLUMNS]
    found = cycle_window(tables, block, [*measure.columns, *judged], window.first, window.last)
    found = _own_rows(found, elsewhere(tables, block, asked.others), asked.rate)
    if found.table.num_rows == 0:
        return nothing(window.why or NO_CYCLE, due=True)
    state, at_end = tables.state(block, CycleFigures), window.last >= last_cycle(tables, block)
    return replace(
        _from_rows(limit, measure, _each_cycle(found), state, window.why, asked.clock, at_end=at_end),
        block=block, begun_us=begun_us(tables, block), band=asked.block.stiffness_band,
    )  # fmt: skip


def _from_rows(
    limit: LimitConfig, measure: Measure, found: WindowRows, state: CycleFigures, why: str, clock: LogClock,
    *, at_end: bool,
) -> Values:  # fmt: skip
    rate, restarts_us = clock.rate, clock.restarts_us
    rows, flags = found.table, np.array(found.table.column("flags"), np.int64)
    complete = np.array(rows.column("complete"), bool)
    held = held_cycles(rows, state.repeats)
    share = "share" in measure.statistics
    if share:
        value = (((flags & int(CycleFlag.OFF_TARGET | NOT_JUDGED)) != 0) | held).astype(float)
    else:
        value = floats(rows.column(measure.columns[0]))
    start = np.array(rows.column("start_us"))
    reversed_loop = reversed_loops(rows) if measure.phase else np.zeros(len(value), bool)
    value[reversed_loop] = np.nan
    reason = cycle_reasons(rows, _ended(start, restarts_us), clock, value, reversed_loop, held)
    if state.counted is None:
        reason[(reason == NONE) & _after_a_pause(rows, restarts_us)] = NAMES.index("thinned")
    if LARGEST.get(measure.extreme) == limit.statistic:
        uncrossed = reason == NAMES.index("uncrossed")
        reason[uncrossed] = np.where(complete[uncrossed], NONE, INCOMPLETE)
    resting = _at_rest(limit, measure, rows, value, reason)
    if not measure.extreme and not share:
        value = np.where(complete, value, np.nan)
    whole = complete & np.isfinite(value) & ((flags & int(NOT_JUDGED)) == 0) & ~too_much_lost(rows) & ~held
    if share:
        whole = complete
    counter = state.counted
    uncounted = _unseen(counter, int(start[0]), int(start[-1]))
    after = _unseen(counter, int(start[whole][-1]), int(start[-1])) if whole.any() else uncounted
    if counter is None and (flags & int(CycleFlag.PEAKS_ONLY)).any():  # a row that is lost was a cycle
        uncounted += float(np.nansum(floats(rows.column("lost_rows"))))
    if counter is None:  # of a log with a row for every few cycles only
        uncounted += (state.rows_every - 1) * len(value)
    period = _typical(rows.filter(pa.array(complete)), CycleFigures()).period_s
    behind = 0.0 if counter is not None else _behind_gaps(rows, flags, start, period, rate)
    values = values_of(
        found.after.astype(np.float64), value, np.full(len(value), np.nan), len(value) + round(uncounted), why=why,
        reason=reason, complete=complete, whole=whole, names=(), uncounted=uncounted,
        uncounted_after=after, between_us=(int(start[0]), int(start[-1])), behind_gaps=behind,
        typical=_typical(rows.filter(pa.array(complete)), state),
        sampling_u=_missed(measure, value, rows, rate),
    )  # fmt: skip
    values = values.select(~resting) if resting.any() else values
    lost_value = 1.0 if share else np.nan  # what was not measured counts as off target
    return _with_lost_end(values, state.lost_at_end, lost_value) if at_end else values


def _with_lost_end(values: Values, rows: int, value: float) -> Values:
    """With what was lost after the last cycle and is in none: it may have been the beginning of another."""
    if not rows:
        return values
    last = values.number[-1:]
    lost = values_of(
        last, np.full(1, value), None, 1, names=(), reason=np.array([NAMES.index("lost_rows")], np.int8),
        complete=np.zeros(1, bool), whole=np.zeros(1, bool),
    )  # fmt: skip
    return values.followed_by(lost)


def _own_rows(found: WindowRows, elsewhere: Spans, rate: float) -> WindowRows:
    """Rows without the incomplete cycles in which a hold, sweep, stance window or proof of another block lies."""
    start = np.array(found.table.column("start_us"))
    length = np.rint(1e6 / rate * floats(found.table.column("samples"))).astype(np.int64)
    incomplete = np.flatnonzero(~np.array(found.table.column("complete"), bool))
    foreign = [
        i for i in incomplete.tolist() if ((elsewhere[0] <= start[i] + length[i]) & (elsewhere[1] >= start[i])).any()
    ]
    if not foreign:
        return found
    own = np.ones(len(start), bool)
    own[foreign] = False
    return WindowRows(found.table.filter(pa.array(own)), found.after[own])


def _each_cycle(found: WindowRows) -> WindowRows:
    """Rows in which cycles crossed no threshold, as often as there were: a row that is no cycle for the first."""
    uncrossed = floats(found.table.column("uncrossed")).astype(np.int64)
    if not uncrossed.any():
        return found
    complete = np.array(found.table.column("complete"), bool)
    at = np.repeat(np.arange(len(complete)), np.maximum(uncrossed + complete, 1))
    return WindowRows(found.table.take(pa.array(at)), found.after[at])


def _ended(start_us: NDArray[np.int64], restarts_us: tuple[int, ...]) -> NDArray[np.bool_]:
    """Rows after which, before the next row begins, the log's clock began again; and rows that begin with it."""
    restarts = np.sort(np.array(restarts_us, np.int64))
    if not restarts.size:
        return np.zeros(len(start_us), bool)
    following = np.append(start_us[1:], np.iinfo(np.int64).max)
    before = np.searchsorted(restarts, start_us, "right")
    ends = np.searchsorted(restarts, following, "right") > before
    return np.asarray(ends | np.isin(start_us, restarts))


def _at_rest(
    limit: LimitConfig, measure: Measure, rows: pa.Table, value: Floats, reason: NDArray[np.int8]
) -> NDArray[np.bool_]:
    """Incomplete cycles whose extreme lies between the limit and no load: a stop unloads, and breaks nothing."""
    if not measure.extreme or limit.operator == "within":
        return np.zeros(len(value), bool)
    kind = "load" if measure.load_power else "motion"
    slack = REST * float(np.nan_to_num(np.nanmedian(floats(rows.column(f"{kind}_range")))))
    bound = limit.ends[0].value
    low, high = min(bound, 0.0) - slack, max(bound, 0.0) + slack
    inside = (value >= low) & (value <= high)
    towards_rest = value > bound if limit.operator == "<=" else value < bound
    return np.asarray((reason == INCOMPLETE) & inside & towards_rest)


def _after_a_pause(rows: pa.Table, restarts_us: tuple[int, ...]) -> NDArray[np.bool_]:
    """Cycles of one row each before which rows may be missing: without a counter a stop looks the same."""
    start = np.array(rows.column("start_us"), np.int64)
    peaks_only = (np.array(rows.column("flags"), np.int64) & int(CycleFlag.PEAKS_ONLY)) != 0
    step = np.diff(start, prepend=start[0]).astype(np.float64)
    usual = float(np.median(step[1:])) if len(step) > 1 else np.inf
    ended = np.concatenate(([False], _ended(start, restarts_us)[:-1]))  # the log's clock began again in between
    return np.asarray(peaks_only & (step > THINNED_FROM * usual) & ~ended)


def _unseen(counted: Counted | None, from_us: int, until_us: int) -> float:
    """Cycles of a window that the rig counted and no log holds."""
    if counted is None:
        return 0.0
    return math.fsum(
        max(cycles, 0.0)
        for kind, start, end, cycles in counted.differences
        if kind in UNSEEN and end > from_us and start <= until_us
    )


def _behind_gaps(
    rows: pa.Table, flags: NDArray[np.int64], start: NDArray[np.int64], period_s: float, rate: float
) -> float:
    """Cycles that there was time for between a cycle that a gap broke off and the next row."""
    broken = ((flags & int(CycleFlag.BROKEN_OFF)) != 0)[:-1]
    if not broken.any() or not period_s > 0.0:
        return 0.0
    ended = start + np.rint(1e6 / rate * floats(rows.column("samples"))).astype(np.int64)
    silent = np.maximum(start[1:] - ended[:-1], 0)[broken]
    return float(np.floor(1e-6 * silent / period_s).sum())


def _typical(rows: pa.Table, state: CycleFigures) -> Typical:
    def middle(column: str) -> float:
        values = floats(rows.column(column))
        values = values[np.isfinite(values)]
        return float(np.median(values)) if values.size else float("nan")

    def learnt(what: SampleNoise | Digits | None) -> Iterator[float]:
        for value in (None, None) if what is None else (what.load, what.motion):
            yield float("nan") if value is None else value

    measured = (middle(name) for name in ("load_range", "motion_range", "period_s", "phase_deg", "samples"))
    return Typical(*measured, *learnt(state.sample_noise), *learnt(state.digits))


def _missed(measure: Measure, value: Floats, rows: pa.Table, rate: float) -> Floats | None:
    """What sampling may have taken off each cycle's value: the longest step inside it counts as all of them."""
    if not measure.sampling:
        return None
    sampled = Sampled(*(floats(rows.column(f.name)) for f in fields(Sampled)))
    step = np.nan_to_num(floats(rows.column("longest_step_s")))
    steps = floats(rows.column("period_s")) / np.maximum(step, 0.5 / rate)
    samples = np.fmin(sampled.samples, np.where(step > 1.5 / rate, steps, np.inf))
    return sampling_u(measure, value, Sampled(samples, *(getattr(sampled, f.name) for f in fields(Sampled)[1:])))
