"""Charts of load cycling: trends of every cycle, loops, pace, and what was flagged."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, FigureTable, Panel, Series, Trend, rows_of
from benchpipe.blocks.cyclic.loop_chart import loop_chart
from benchpipe.blocks.cyclic.tables import CYCLES, FLAG_MEANING
from benchpipe.blocks.figures import Figure, of_block
from benchpipe.columns import floats, unit_text

Floats = NDArray[np.float64]
MAIN = ("secant_stiffness", "energy_j", "loss_factor", "backlash", "motion_range", "temperature_c")
LABELS = {"energy_j": "loop energy", "temperature_c": "temperature", "period_s": "period"}
NO_TREND = ("cycle", "segment", "start_us", "flags", "counter", "peak_time_s", "valley_time_s")
NEIGHBOURS = 101  # cycles whose median a cycle is compared with
RUN_IN = 100  # cycles that are left out of it, where the plan has no baseline
PACE_POINTS = 400


def cyclic_charts(task: ChartTask) -> BlockCharts:
    """Charts of one block; none where no complete cycle was found."""
    name = task.block.name
    parts = task.manifest.block_parts(name, "cycles")
    if not parts:
        return BlockCharts()
    rows = task.store.read_parts(parts, "cycles", ["cycle", "segment", "start_us", "period_s", "flags"])
    flags = np.array(rows.column("flags"))
    number = np.array(rows.column("cycle").combine_chunks().fill_null(0))
    known = number > 0
    place = number[known] - 1
    flagged = _flags(name, flags, number)
    if not known.any():
        return BlockCharts(flagged)
    segment = _placed(floats(rows.column("segment"))[known], place)
    start_us = np.array(rows.column("start_us"))[known]
    period_s = floats(rows.column("period_s"))[known]
    del rows
    stops = np.flatnonzero(np.diff(segment) > 0) + 1
    trends = tuple(_trends(task, known, place, stops))
    worst = [trend.worst for trend in trends if trend.measure == "secant_stiffness" and trend.worst]
    loops = loop_chart(task, place + 1, start_us, period_s, worst)
    return BlockCharts((*loops, _pace(name, start_us, place + 1), *flagged), trends)


def _placed(values: Floats, place: NDArray[np.int64]) -> Floats:
    """Values of the cycles 1 to the last; NaN for one that is not in the table."""
    if place.size == int(place[-1]) + 1 and (place[1:] > place[:-1]).all():
        return values
    out: Floats = np.full(int(place.max()) + 1, np.nan)
    out[place] = values
    return out


def _trends(task: ChartTask, known: NDArray[np.bool_], place: NDArray[np.int64], stops: NDArray[np.int64]) -> Iterator[
    Trend
]:  # fmt: skip
    name, parts = task.block.name, task.manifest.block_parts(task.block.name, "cycles")
    every = [c.name for c in CYCLES if c.dtype.startswith("float") and c.name not in NO_TREND]
    names = [*MAIN, *(one for one in every if one not in MAIN)] if task.every else MAIN
    units = {c.name: unit_text(c.unit, task.units) for c in CYCLES}
    bins = of_block(task.store.read(task.manifest, "trends"), name)
    for measure in names:
        values = _placed(floats(task.store.read_parts(parts, "cycles", [measure]).column(measure))[known], place)
        if not np.isfinite(values).any():
            continue
        own = bins.filter(pc.equal(bins.column("measure"), measure))
        first, last, median = (floats(own.column(key)) for key in ("first", "last", "median"))
        last = np.minimum(last, values.size)
        change = own.column("change").to_pylist()[-1] if own.num_rows else None
        base = float(median[-1] / (1.0 + change)) if change is not None and change != -1.0 else None
        baseline = task.block.baseline
        run_in = baseline[0] if baseline else RUN_IN
        yield Trend(
            name, measure, LABELS.get(measure, measure.replace("_", " ")), units[measure], values,
            first, last, median, stops, baseline, base, change, _worst(values, run_in),
        )  # fmt: skip


def _worst(values: Floats, run_in: int) -> int:
    """Cycle whose value is farthest from the median of its neighbours, from ``run_in`` on; 0 without any."""
    later = values[min(run_in, values.size) :]
    if np.isfinite(later).sum() < 3:
        return 0
    count = -(-later.size // NEIGHBOURS)
    padded = np.full(count * NEIGHBOURS, np.nan)
    padded[: later.size] = later
    pieces = padded.reshape(count, NEIGHBOURS)
    filled = np.isfinite(pieces).any(axis=1)
    middle = np.full(count, np.nan)
    middle[filled] = np.nanmedian(pieces[filled], axis=1)
    off = np.abs(later - np.repeat(middle, NEIGHBOURS)[: later.size])
    return min(run_in, values.size) + int(np.nanargmax(off)) + 1


def _pace(name: str, start_us: NDArray[np.int64], number: NDArray[np.int64]) -> Chart:
    """Cycles done over the time of the run."""
    hours = (start_us - start_us[0]) / 3.6e9
    at = np.unique(np.linspace(0, hours.size - 1, min(hours.size, PACE_POINTS)).round().astype(int))
    x, y = hours[at], number[at].astype(float)
    rows = FigureTable(
        (Axis("time", "h"), Axis("cycles", "")), tuple((float(x[k]), int(y[k])) for k in range(0, at.size, 40))
    )
    longest = int(np.argmax(np.diff(hours))) if hours.size > 1 else 0
    pause = float(np.diff(hours).max() * 3600.0) if hours.size > 1 else 0.0
    answer = (
        f"{int(number[-1]):,} cycles in {hours[-1]:.3g} h; the longest time between two cycles is ",
        Figure("", pause, "s"), f", after cycle {int(number[longest]):,}.",
    )  # fmt: skip
    panel = Panel("", Axis("time since the first cycle", "h"), Axis("cycles"), (Series("cycles", x, y),))
    return Chart(
        "pace", "rig", name, "cycles over time", answer, (panel,), rows,
        number.size, "cycles", "benchpipe export RUN cycles",
        f"{at.size:,} of {hours.size:,} cycles drawn" if hours.size > PACE_POINTS else "",
    )  # fmt: skip


def _flags(name: str, flags: NDArray[np.uint16], number: NDArray[np.int64]) -> tuple[Chart, ...]:
    """How many cycles have each flag, and the first of each."""
    found = []
    for flag, meaning in FLAG_MEANING.items():
        has = (flags & int(flag)) != 0
        if has.any():
            first = number[has][number[has] > 0]
            count = int(has.sum())
            found.append({"flag": (flag.name or "").lower().replace("_", " "), "cycles": count,
                          "first": int(first[0]) if first.size else None, "meaning": meaning})  # fmt: skip
    if not found:
        return ()
    head = (("flag", "flag", ""), ("cycles", "cycles", ""), ("first", "first cycle", ""), ("meaning", "meaning", ""))
    answer = f"{int((flags != 0).sum()):,} of {flags.size:,} cycles have a flag."
    return (
        Chart("flags", "left-out", name, "flagged cycles", (answer,), (), rows_of(head, found), flags.size, "cycles",
              "benchpipe export RUN cycles"),
    )  # fmt: skip
