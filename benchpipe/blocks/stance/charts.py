"""Chart of stance windows: drift and range of motion of each."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block


def stance_charts(task: ChartTask) -> BlockCharts:
    """The stance windows of a block in one chart."""
    stances = of_block(task.store.read(task.manifest, "stances"), task.block.name).to_pylist()
    if not stances:
        return BlockCharts()
    motion, last, panels = task.units["motion"], stances[-1], []
    for key, label in (("drift", "drift"), ("motion_range", "range of motion")):
        y, u = (np.array([np.nan if s[k] is None else s[k] for s in stances], float) for k in (key, f"{key}_u"))
        if len(stances) > 1 and np.isfinite(y).any():
            x = np.array([s["stance"] for s in stances], float)
            panels.append(
                Panel("", Axis("stance window"), Axis(label, motion), (Series(label, x, y, *band(y, u), "dots"),))
            )
    answer = (
        "Drift in the last window: ", Figure("", last["drift"], motion, u=last["drift_u"]),
        f" in {last['duration_s']:.3g} s; range of motion ",
        Figure("", last["motion_range"], motion, u=last["motion_range_u"]), ".",
    )  # fmt: skip
    head = (
        ("stance", "window", ""), ("duration_s", "length", "s"), ("load_mean", "mean load", task.units["load"]),
        ("drift", "drift", motion), ("drift_u", "standard u", motion), ("motion_range", "range of motion", motion),
        ("temperature_c", "temperature", "degC"), ("remark", "remark", ""),
    )  # fmt: skip
    return BlockCharts(
        (
            Chart("stance", "load", task.block.name, "stance windows", answer, tuple(panels), rows_of(head, stances),
                  sum(s["samples"] for s in stances), "samples", "benchpipe export RUN stances"),
        )
    )  # fmt: skip
