"""Rows of the tables of drift, from what a watch holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.bins import RunBins
from benchpipe.drift.changes import Level
from benchpipe.drift.events import Event, near
from benchpipe.drift.forecast import Forecast
from benchpipe.drift.history import History, scales
from benchpipe.drift.phases import Phase, inside
from benchpipe.drift.watched import DAY_US, DriftBlock, LogEntry

Floats = NDArray[np.float64]
Row = dict[str, Any]

MOST_CYCLE_BINS = 120


def cycle_width(last: int) -> int:
    """Cycles in a bin: 1, 2 or 5 times a power of ten, at most 120 bins up to ``last``."""
    width, times = 1, (2.0, 2.5, 2.0)
    k = 0
    while last / width > MOST_CYCLE_BINS:
        width = int(width * times[k % 3])
        k += 1
    return width


def trend_rows(
    block: DriftBlock,
    bins: RunBins,
    history: History,
    levels: Mapping[str, Level | None],
    baselines: Mapping[str, tuple[int, int]],
) -> list[Row]:
    """Bins of time, and of cycles, of each measure; the change where there is a baseline."""
    if not bins.index.size:
        return []
    scale, reference = scales(block, bins)
    at = np.clip(np.searchsorted(history.first, bins.first, side="right") - 1, 0, history.first.size - 1)
    rows: list[Row] = []
    for i, watched in enumerate(block.watched):
        level = levels.get(watched.name)
        off = np.full(bins.index.size, np.nan)
        if level is not None and watched.name in baselines:
            # What was taken off in the look's bin is taken off in each of the bins that it was merged from.
            taken = history.level[i] - level.corrected
            base = level.corrected[level.rows & inside(history, *baselines[watched.name])]
            if base.size:
                off = taken[at] + base.mean()
        change = (bins.mean[i] - reference[i]) / scale[i] - off
        part = {
            "median": bins.median[i], "scatter": bins.scatter[i], "mean": bins.mean[i], "change": change,
            "temperature_c": history.air_c[at],
        }  # fmt: skip
        edges = np.arange(bins.index.size + 1)
        rows += _rows(block, bins, watched.name, "time", edges, bins.count[i], part, history.separable[at])
        width = cycle_width(int(bins.last[-1]))
        group = (bins.first + bins.last) // 2 // width
        edges = np.append(np.flatnonzero(np.diff(group, prepend=-1)), group.size)
        if width > int(np.median(bins.cycles)):
            rows += _rows(block, bins, watched.name, "cycles", edges, bins.count[i], part, history.separable[at])
    return rows


def _rows(
    block: DriftBlock, bins: RunBins, name: str, kind: str, edges: NDArray[np.int64], count: Floats,
    part: Mapping[str, Floats], separable: NDArray[np.bool_],
) -> list[Row]:  # fmt: skip
    """Rows of one measure in runs of bins between edges."""
    made = []
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        used = int(count[a:b].sum())
        row: Row = {
            "block": block.name, "measure": name, "bins": kind, "first": int(bins.first[a]),
            "last": int(bins.last[b - 1]), "start_us": _us(bins.start_s[a]), "end_us": _us(bins.end_s[b - 1]),
            "used": used, "separable": bool(separable[a:b].all()),
        }  # fmt: skip
        for column, values in part.items():
            v, w = values[a:b], count[a:b]
            good = np.isfinite(v) & (w > 0)
            if not good.any():
                row[column] = None
            elif b - a == 1:
                row[column] = float(v[0])
            elif column == "median":
                row[column] = float(np.median(v[good]))
            else:
                row[column] = float((w[good] @ v[good]) / w[good].sum())
        made.append(row)
    return made


def event_rows(block: DriftBlock, bins: RunBins, events: Sequence[Event], entries: Sequence[LogEntry]) -> list[Row]:
    """Rows of events: one a measure, the alarm first."""
    scale = dict(zip(bins.measures, scales(block, bins)[0].tolist(), strict=True))
    kinds = {w.name: w.backlash for w in block.watched}
    made = []
    for event in events:
        moved = sorted({e.measure for e in events if e.number == event.number})
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
                "n_effective": _or_none(phase.n_effective),
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
            "block": block.name, "measure": f.measure, "limit": f.limit, "expected": f.expected, "crossed": f.crossed,
            "cycle": _known(f.cycle), "low": _known(f.low), "high": _known(f.high),
            "low_us": _us(f.low_s) if isfinite(f.low_s) else None,
            "high_us": _us(f.high_s) if isfinite(f.high_s) else None,
            "before_end": _known(f.before_end), "coverage": f.coverage, "remark": f.why,
        }
        for f in forecasts
    ]  # fmt: skip


def _us(time_s: float) -> int:
    return round(float(time_s) * 1_000_000)


def _or_none(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _known(value: float) -> float | None:
    """As it is, infinite too; None for NaN."""
    return None if np.isnan(value) else float(value)
