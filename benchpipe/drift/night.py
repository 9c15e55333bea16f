"""The door of the room: new cycles and the state of the night before → state and rows of all tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchpipe.drift.bins import day_bins, first_wanted_us, whole_days
from benchpipe.drift.changes import Level, level_of
from benchpipe.drift.columns import Change, change_column
from benchpipe.drift.events import Event, together
from benchpipe.drift.forecast import change_allowed, forecast
from benchpipe.drift.history import FEWEST_BINS, MOST_JUMPS, History, history_of
from benchpipe.drift.looks import AFTER_H, step_threshold
from benchpipe.drift.offline import offline_steps
from benchpipe.drift.phases import Phase, phases_of
from benchpipe.drift.placed import number_of, placed_entries
from benchpipe.drift.trends import Columns, Row, event_rows, forecast_rows, phase_rows, trend_columns
from benchpipe.drift.watch import Watch, planned_nights
from benchpipe.drift.watched import CycleColumns, DriftBlock, LogEntry
from benchpipe.kernels.robust import MAD_TO_SIGMA

DEPARTS = 6.0
"""Robust deviations of a bin, slow noise in them, that the last hours must depart by to be named."""
SHORTEST_H = 6.0
"""Hours that a level has at least in the search over the whole history."""


@dataclass(frozen=True)
class DriftResult:
    """What a night makes of a block: ``state`` for the next one, rows of the tables, remarks in words.

    ``trends``, the one long table, is columns; the others are rows.

    ``wanted_from_us``: cycles that began before are not needed any more.
    """

    state: dict[str, Any]
    wanted_from_us: int
    trends: Columns
    events: list[Row]
    phases: list[Row]
    forecasts: list[Row]
    remarks: list[str]


def drift_night(
    block: DriftBlock,
    new: CycleColumns,
    state: Mapping[str, Any] | None = None,
    entries: Sequence[LogEntry] = (),
    *,
    complete: bool = False,
) -> DriftResult:
    """Take in the whole days of new cycles, look at each day's border, and make the tables.

    Parameters
    ----------
    block : DriftBlock
    new : CycleColumns
        Cycles from ``wanted_from_us`` of the night before on, in order; earlier ones are passed over.
    state : mapping, optional
        That of the night before; None to begin.
    entries : sequence of LogEntry
        All that the log, the plan and the notes say, from the begin of the block on.
    complete : bool
        The block is at its end: its last day is a whole one.

    Returns
    -------
    DriftResult
        The same, to the last bit, whichever nights the cycles came in.
    """
    watch = (Watch.from_json(state) if state is not None else None) or Watch.begun(block)
    for day, cycles in whole_days(watch.bins, new, complete):
        watch = watch.after(block, day_bins(block, day, cycles, watch.bins), entries)
    if not watch.bins.index.size:
        nothing: list[Row] = []
        why = ["no whole day yet: drift looks at a day's border"]
        return DriftResult(watch.to_json(), first_wanted_us(watch.bins), {}, nothing, nothing, nothing, why)
    history = history_of(block, watch.bins)
    entries = placed_entries(entries, watch.bins)
    baselines = {name: (first, last) for name, first, last in watch.baselines}
    levels = {
        w.name: level_of(block, history, w.name, watch.events, entries, baselines.get(w.name)) for w in block.watched
    }
    threshold = step_threshold(block, planned_nights(block))
    phases: list[Phase] = []
    for name, level in levels.items():
        if level is not None:
            phases += phases_of(name, level, watch.events, baselines.get(name), threshold)
    limits = []
    for limit in block.limits:
        base = baselines.get(limit.measure)
        middle = (base[0] + base[1]) / 2 if base else float("nan")
        change = change_allowed(block, history, limit, levels[limit.measure], base)
        limits.append(forecast(block, history, change, middle, watch.events, entries))
    events = [*watch.events, *expected_events(block, history, levels, entries, watch.events)]
    if complete:
        events += offline_events(history, levels, events)
    return DriftResult(
        watch.to_json(),
        first_wanted_us(watch.bins),
        trend_columns(block, watch.bins, history, levels, baselines),
        event_rows(block, watch.bins, events, entries),
        phase_rows(block, phases, levels, baselines),
        forecast_rows(block, limits),
        remarks_of(block, watch, history, levels),
    )


def expected_events(
    block: DriftBlock, history: History, levels: Mapping[str, Level | None], entries: Sequence[LogEntry],
    known: Sequence[Event],
) -> list[Event]:  # fmt: skip
    """What re-based the measures without an alarm: planned exchanges, notes, shifted zeros, with the step of each."""
    made = []
    for entry in entries:
        at = entry.start_us / 1e6
        if not history.start_s[0] < at < history.end_s[-1]:
            continue
        for watched in block.watched:
            level = levels[watched.name]
            if level is None or not entry.rebases(watched):
                continue
            cycle = history.cycle_at(at)
            size = level.step_at(change_column(history, Change("step", cycle)))
            number = number_of(entry, entries, known) if entry.expected else 0
            cycle = cycle if entry.cycle is None else float(entry.cycle)
            made.append(
                Event(
                    watched.name, "level", entry.kind, cycle, cycle, cycle, at, at, at, size, *(float("nan"),) * 4,
                    history.day, number, False, "log",
                )
            )  # fmt: skip
    return made


def offline_events(
    history: History, levels: Mapping[str, Level | None], known: Sequence[Event]
) -> list[Event]:  # fmt: skip
    """Steps that the search over the whole history finds and no night has: remarks, and no alarms."""
    made: list[Event] = []
    for name, level in levels.items():
        if level is None:
            continue
        rows = np.flatnonzero(level.rows)
        rest = (level.corrected - level.curve)[rows]
        hours = history.width_s / history.hour_s
        for i in offline_steps(rest, max(int(SHORTEST_H / hours), 2), level.slow):
            k = int(rows[i])
            low, high = int(rows[i - 1]), k
            size = float(np.mean(rest[i : i + 24]) - np.mean(rest[max(i - 24, 0) : i]))
            event = Event(
                name, "level", "step", float(history.first[k]), float(history.first[low]), float(history.last[high]),
                float(history.start_s[k]), float(history.start_s[low]), float(history.end_s[high]), size,
                *(float("nan"),) * 4, history.day, 0, False, "offline",
            )  # fmt: skip
            if not any(e.measure == name and together(e, event) for e in known):
                made.append(event)
    return made


def remarks_of(
    block: DriftBlock, watch: Watch, history: History, levels: Mapping[str, Level | None]
) -> list[str]:  # fmt: skip
    """What is missing or wider than it might be, in words."""
    made = [f"thermometer: {fault}" for fault in dict.fromkeys(watch.bins.faults)]
    jumps = watch.bins.jumps_s.size
    if jumps:
        what = "it is not used" if jumps > MOST_JUMPS else "a step at that time is not separable"
        made.append(f"thermometer jumped {jumps} times: {what}")
    lost = int((~history.separable).sum())
    if lost:
        made.append(
            f"{lost} of {history.separable.size} bins are not separable from temperature: outside the range it was "
            "learnt in, or without a temperature"
        )
    if not history.temperature.shape[0]:
        made.append("no temperature that can be used: changes of slope are not looked for")
    if history.first.size < FEWEST_BINS:
        made.append(f"{history.first.size} bins of time, {FEWEST_BINS} are needed to look for events")
    missing = [w.name for w in block.watched if levels[w.name] is None]
    some = [w.name for i, w in enumerate(block.watched) if w.name in missing and np.isfinite(history.level[i]).any()]
    if some and len(missing) < len(block.watched):
        made.append(f"too few usable bins: {', '.join(some)}")
    made += _without_level(block, watch, history)
    made += _at_the_end(levels)
    based = {name for name, _, _ in watch.baselines}
    without = [w.name for w in block.watched if w.name not in based and w.name not in missing]
    if without:
        made.append(f"no baseline yet, run-in has not been seen to end: {', '.join(without)}")
    return made


def _without_level(block: DriftBlock, watch: Watch, history: History) -> list[str]:
    """Measures without any value, or whose scale is zero or unknown: they have no row in the other tables."""
    known: list[bool] = np.any(np.isfinite(watch.bins.mean), axis=1).tolist()
    none = [w.name for w, some in zip(block.watched, known, strict=True) if not some]
    zero = [
        w.name if w.relative else f"{w.name} (by {w.scale_by})"
        for w, some, scale in zip(block.watched, known, history.scale.tolist(), strict=True)
        if some and not scale > 0.0
    ]
    made = [f"no value in any cycle: {', '.join(none)}"] if none else []
    return made + ([f"no level, of which a change would be a part: {', '.join(zero)}"] if zero else [])


def _at_the_end(levels: Mapping[str, Level | None]) -> list[str]:
    """Measures whose last hours depart from all that is fitted: too few to tell a step from an outlier."""
    found = []
    for name, level in levels.items():
        if level is None:
            continue
        rest = (level.corrected - level.curve)[level.rows]
        few = max(round(AFTER_H * level.history.hour_s / level.history.width_s), 1)
        if rest.size < 4 * few:
            continue
        before = rest[:-few]
        spread = MAD_TO_SIGMA * float(np.median(np.abs(before - np.median(before))))
        last = rest[-few:] - float(np.median(before))
        if float(np.max(np.abs(last))) > DEPARTS * spread * level.slow**0.5:
            found.append(name)
    return [f"the last hours depart from the trend, too few to tell a step: {', '.join(found)}"] if found else []
