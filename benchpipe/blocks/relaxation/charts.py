"""Charts of held motions: load over time, linear and log."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block
from benchpipe.blocks.relaxation.view import WORDS

MOST = 6


def relaxation_charts(task: ChartTask) -> BlockCharts:
    """One chart for each of the last relaxations of a block."""
    held = of_block(task.store.read(task.manifest, "relaxations"), task.block.name).to_pylist()
    points = of_block(task.store.read(task.manifest, "relaxation_points"), task.block.name).to_pylist()
    load, charts = task.units["load"], []
    for one in held[-MOST:]:
        own = [p for p in points if p["relaxation"] == one["relaxation"]]
        curve = [p for p in own if p["kind"] == "curve"]
        if len(curve) < 2:
            continue
        t, y, u = (
            np.array([p[key] if p[key] is not None else np.nan for p in curve])
            for key in ("time_s", "load", "load_lost_u")
        )
        series = (Series("averages", t, y, *band(y, u), "dots"),)
        positive = t > 0
        later = (Series("averages", t[positive], y[positive], mark="dots"),)
        axis = Axis("load", load)
        panels = (
            Panel("linear time", Axis("time at full motion", "s"), axis, series),
            Panel("log time", Axis("time at full motion", "s", log=True), axis, later),
        )
        answer = (
            "Load lost by the end: ", Figure("", one["load_lost_end"], load, u=one["load_lost_end_u"]),
            f" in {one['duration_s'] / 60.0:.3g} min; {WORDS.get(one['kind'], one['kind'])}.",
        )  # fmt: skip
        head = (("time_s", "time", "s"), ("samples", "samples", ""), ("load", "load", load),
                ("load_lost", "load lost", load), ("load_lost_u", "standard u", load))  # fmt: skip
        charts.append(
            Chart(f"relaxation-{one['relaxation']}", "load", task.block.name, f"relaxation {one['relaxation']}", answer,
                  panels, rows_of(head, own), int(one["samples"]), "samples",
                  "benchpipe export RUN relaxation_points",
                  f"{len(curve)} averages, evenly spaced in the logarithm of time")
        )  # fmt: skip
    return BlockCharts(tuple(charts))
