"""Charts of holds: creep on linear and on log time with the fitted law, what it leaves, and all holds of a run."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Ruler, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block
from benchpipe.blocks.hold.view import WORDS

Floats = NDArray[np.float64]
MOST_HOLDS = 6  # drawn one by one: the first, and the last ones
HEAD = (("time_s", "time", "s"), ("samples", "samples", ""), ("creep", "creep", "motion"))


def hold_charts(task: ChartTask) -> BlockCharts:
    """Charts of the holds of a block."""
    holds = of_block(task.store.read(task.manifest, "holds"), task.block.name).to_pylist()
    points = of_block(task.store.read(task.manifest, "creep_points"), task.block.name).to_pylist()
    shown = holds if len(holds) <= MOST_HOLDS else [holds[0], *holds[1 - MOST_HOLDS :]]
    charts = [c for hold in shown for c in _one(hold, [p for p in points if p["hold"] == hold["hold"]], task.units)]
    return BlockCharts((*charts, *_all(holds, task.block.name, task.units["motion"])))


def _one(hold: dict[str, Any], points: list[dict[str, Any]], units: dict[str, str]) -> Iterator[Chart]:
    """One hold; none where too little of it is known."""
    motion, number = units["motion"], hold["hold"]
    curve = [p for p in points if p["kind"] == "curve" and p["creep"] is not None]
    if len(curve) < 2:
        return
    t, y, u = (np.array([p[key] if p[key] is not None else np.nan for p in curve]) for key in
               ("time_s", "creep", "creep_u"))  # fmt: skip
    low, high = band(y, u)
    dots = Series("averages", t, y, low, high, "dots")
    asked = [p for p in points if p["kind"] != "curve" and p["creep"] is not None]
    times, creeps, us = (np.array([p[key] or np.nan for p in asked], float) for key in ("time_s", "creep", "creep_u"))
    beyond = Series("asked times", times, creeps, *band(creeps, us), "dots")
    fitted = _law(hold, curve)
    series = (dots, *fitted[:1], *([beyond] if asked else []))
    inside = tuple(s if s is not beyond else _until(beyond, t[-1]) for s in series)
    y_axis = Axis("creep", motion)
    panels = [
        Panel("linear time", Axis("time under load", "s"), y_axis, inside),
        Panel("log time", Axis("time under load", "s", log=True), y_axis, series),
    ]
    if fitted:
        time = Axis("time under load", "s", log=True)
        panels.append(Panel("what the law leaves", time, Axis("residual", motion), fitted[1:], (Ruler(0.0, ""),)))
    words = WORDS.get(hold["kind"], hold["kind"])
    yield Chart(
        f"creep-{number}", "load", hold["block"], f"creep, hold {number}", tuple(_answer(hold, words, units)),
        tuple(panels), rows_of([(k, label, motion if unit == "motion" else unit) for k, label, unit in
                                (*HEAD, ("creep_u", "standard u", "motion"))], [*curve, *asked]),
        int(hold["samples"]), "samples", "benchpipe export RUN creep_points",
        f"{len(curve)} averages, evenly spaced in the logarithm of time; as read, nothing taken off",
    )  # fmt: skip


def _answer(hold: dict[str, Any], words: str, units: dict[str, str]) -> Iterator[str | Figure]:
    yield f"{words[:1].upper()}{words[1:]}: creep of "
    yield Figure("", hold["creep_end"], units["motion"], u=hold["creep_end_u"])
    yield f" after {hold['duration_s'] / 60.0:.3g} min at "
    yield Figure("", hold["load_mean"], units["load"])
    if hold["recovered"] is not None:
        yield "; recovered after release: "
        yield Figure("", hold["recovered"], "1", u=hold["recovered_u"])
    yield f"; law: {hold['law']}." if hold["law"] else "; no law fits."


def _until(series: Series, end: float) -> Series:
    """The points of a series up to a time."""
    inside = series.x <= 1.02 * end
    low, high = (None if v is None else v[inside] for v in (series.low, series.high))
    return Series(series.name, series.x[inside], series.y[inside], low, high, series.mark)


def _law(hold: dict[str, Any], curve: list[dict[str, Any]]) -> tuple[Series, ...]:
    """The law of a hold through its averages with its 95 % interval, and what it leaves; none where no law fits."""
    t, y, line, u = (np.array([np.nan if p[key] is None else p[key] for p in curve], float) for key in
                     ("time_s", "creep", "law_creep", "law_creep_u"))  # fmt: skip
    if not np.isfinite(line).any():
        return ()
    law = Series(f"law: {hold['law']}", t, line, *band(line, u))
    return law, Series("averages less law", t, y - line, mark="dots")


def _all(holds: list[dict[str, Any]], block: str, motion: str) -> Iterator[Chart]:
    """Creep at the end of each hold of a block."""
    known = [hold for hold in holds if hold["creep_end"] is not None]
    if len(known) < 2:
        return
    y = np.array([hold["creep_end"] for hold in known])
    low, high = band(y, np.array([hold["creep_end_u"] or np.nan for hold in known]))
    x = np.array([hold["hold"] for hold in known], float)
    panel = Panel("", Axis("hold"), Axis("creep at the end", motion), (Series("holds", x, y, low, high, "dots"),))
    head = (("hold", "hold", ""), ("kind", "kind", ""), ("creep_end", "creep at the end", motion),
            ("creep_end_u", "standard u", motion), ("temperature_c", "temperature", "degC"))  # fmt: skip
    answer = ("From the first hold to the last, creep at the end went from ", Figure("", y[0], motion), " to ",
              Figure("", y[-1], motion), ".")  # fmt: skip
    yield Chart("all-holds", "load", block, "all holds", answer, (panel,), rows_of(head, holds), len(holds), "holds",
                "benchpipe export RUN holds")  # fmt: skip
