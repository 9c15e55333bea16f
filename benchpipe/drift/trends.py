"""Rows of the tables of drift, from what a watch holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.bins import RunBins
from benchpipe.drift.changes import Level, inside
from benchpipe.drift.events import Event, near
from benchpipe.drift.forecast import Forecast
from benchpipe.drift.history import History, scales
from benchpipe.drift.phases import Phase
from benchpipe.drift.watched import DAY_US, DriftBlock, LogEntry

Floats = NDArray[np.float64]
Row = dict[str, Any]
Columns = dict[str, NDArray[Any]]

MOST_CYCLE_BINS = 120


def cycle_width(last: int) -> int:
    """Cycles in a bin: 1, 2 or 5 times a power of ten, at most 120 bins up to ``last``."""
    width, times = 1, (2.0, 2.5, 2.0)
    k = 0
    while last / width > MOST_CYCLE_BINS:
        width = int(width * times[k % 3])
        k += 1
    return width


def trend_columns(
    block: DriftBlock,
    bins: RunBins,
    history: History,
    levels: Mapping[str, Level | None],
    baselines: Mapping[str, tuple[int, int]],
) -> Columns:
    """Bins of time, and of cycles, of each measure; the change where there is a baseline. NaN for null."""
    scale, reference = scales(block, bins)
    at = np.clip(np.searchsorted(history.first, bins.first, side="right") - 1, 0, history.first.size - 1)
    width = cycle_width(int(bins.last[-1]))
    kinds = [("time", np.arange(bins.index.size))]
    if width > int(np.median(bins.cycles)):
        group = (bins.first + bins.last) // 2 // width
        kinds.append(("cycles", np.flatnonzero(np.diff(group, prepend=-1))))
    parts: list[Columns] = []
    for i, watched in enumerate(block.watched):
        change = (bins.mean[i] - reference[i]) / scale[i] - _taken_off(watched.name, i, history, levels, baselines)[at]
        for kind, edges in kinds:
            ends, n = np.append(edges[1:], bins.index.size) - 1, edges.size
            count, mean = _joined(bins.mean[i], bins.count[i], edges)
            parts.append(
                {
                    "block": np.full(n, block.name), "measure": np.full(n, watched.name), "bins": np.full(n, kind),
                    "first": bins.first[edges], "last": bins.last[ends], "start_us": _all_us(bins.start_s[edges]),
                    "end_us": _all_us(bins.end_s[ends]), "used": count.astype(np.int64), "mean": mean,
                    "median": _joined(bins.median[i], bins.count[i], edges)[1],
                    "scatter": _joined(bins.scatter[i], bins.count[i], edges)[1],
                    "temperature_c": _joined(history.air_c[at], bins.count[i], edges)[1],
                    "separable": np.logical_and.reduceat(history.separable[at], edges),
                    "change": _joined(change, bins.count[i], edges)[1],
                }
            )  # fmt: skip
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _taken_off(
    name: str, i: int, history: History, levels: Mapping[str, Level | None], baselines: Mapping[str, tuple[int, int]]
) -> Floats:
    """What the temperature makes of each bin of the look, and the baseline's level; NaN where it is not known."""
    level = levels.get(name)
    nothing = np.full(history.first.size, np.nan)
    if level is None or name not in baselines:
        return nothing
    base = level.corrected[level.rows & inside(history, *baselines[name])]
    return history.level[i] - level.corrected + base.mean() if base.size else nothing


def _joined(values: Floats, count: Floats, edges: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Values used and the mean by them, of runs of bins that begin at the edges."""
    weight = np.where(np.isfinite(values), count, 0.0)
    total = np.add.reduceat(weight, edges)
    if edges.size == values.size:
        return np.add.reduceat(count, edges), values
    summed = np.add.reduceat(weight * np.nan_to_num(values), edges)
    return np.add.reduceat(count, edges), np.where(total > 0, summed / np.maximum(total, 1e-300), np.nan)


def event_rows(block: DriftBlock, bins: RunBins, events: Sequence[Event], entries: Sequence[LogEntry]) -> list[Row]:
    """Rows of events: one a measure, the alarm first."""
    scale = dict(zip(bins.measures, scales(block, bins)[0].tolist(), strict=True))
    kinds = {w.name: w.backlash for w in block.watched}
    made = []
    for event in events:
        moved = sorted({e.measure for e in events if _same(e, event)})
        kind = "scatter" if event.of == "scatter" else "backlash" if kinds[event.measure] else event.kind
        made.append(
            {
                "block": block.name, "event": event.number, "measure": event.measure, "kind": kind,
                "found": event.found, "alarm": event.alarm, "cycle": round(event.cycle),
                "cycle_low": round(event.cycle_low), "cycle_high": round(event.cycle_high),
                "time_us": _us(event.time_s), "size": event.size, "low": _or_none(event.low),
                "high": _or_none(event.high), "scale": scale[event.measure], "score": _or_none(event.score),
                "threshold": _or_none(event.threshold), "seen_until_us": (event.day + 1) * DAY_US,
                "together": ",".join(moved), "near": ",".join(dict.fromkeys(e.kind for e in near(event, entries))),
            }
        )  # fmt: skip
    return made


def _same(one: Event, other: Event) -> bool:
    """Are two events one? What has no number is of one time and source."""
    return (one.number, one.found) == (other.number, other.found) and (one.number > 0 or one.time_s == other.time_s)


def phase_rows(
    block: DriftBlock, phases: Sequence[Phase], levels: Mapping[str, Level | None],
    baselines: Mapping[str, tuple[int, int]],
) -> list[Row]:  # fmt: skip
    """Rows of phases."""
    made = []
    for phase in phases:
        level, base = levels[phase.measure], baselines.get(phase.measure, (None, None))
        change, trend = phase.change, phase.trend
        remarks = dict.fromkeys(why for why in (change.why, level.why if level else "") if why)
        made.append(
            {
                "block": block.name, "measure": phase.measure, "phase": phase.name, "first": phase.first,
                "last": phase.last, "change": _or_none(change.change), "low": _or_none(change.low),
                "high": _or_none(change.high), "slope_per_million": _or_none(trend.slope),
                "slope_low": _or_none(trend.low), "slope_high": _or_none(trend.high), "trend_p": _or_none(trend.p),
                "step_seen": _or_none(phase.step_seen), "n_effective": _or_none(phase.n_effective),
                "coefficient_per_k": _or_none(level.coefficient) if level else None,
                "coefficient_u": _or_none(level.coefficient_u) if level else None,
                "baseline_first": base[0], "baseline_last": base[1], "remark": "; ".join(remarks),
            }
        )  # fmt: skip
    return made


def forecast_rows(block: DriftBlock, forecasts: Sequence[Forecast]) -> list[Row]:
    """Rows of forecasts."""
    return [
        {
            "block": block.name, "measure": f.measure, "limit": _or_none(f.limit.change),
            "limit_value": f.limit.value, "unit": f.limit.unit, "expected": f.expected, "crossed": f.crossed,
            "cycle": _known(f.cycle), "low": _known(f.low), "high": _known(f.high),
            "low_us": _us(f.low_s) if isfinite(f.low_s) else None,
            "high_us": _us(f.high_s) if isfinite(f.high_s) else None,
            "before_end": _known(f.before_end), "coverage": f.coverage, "remark": f.why,
        }
        for f in forecasts
    ]  # fmt: skip


def _us(time_s: float) -> int:
    return round(float(time_s) * 1_000_000)


def _all_us(time_s: Floats) -> NDArray[np.int64]:
    return np.round(time_s * 1e6).astype(np.int64)


def _or_none(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _known(value: float) -> float | None:
    """As it is, infinite too; None for NaN."""
    return None if np.isnan(value) else float(value)
