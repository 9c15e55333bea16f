"""Charts of sweeps: resistance against motion and speed, its parts, and the end stops over the sweeps."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block

PARTS = ("coulomb", "laminar", "orifice", "breakaway")


def sweep_charts(task: ChartTask) -> BlockCharts:
    """Charts of a block of sweeps."""
    store, manifest, name = task.store, task.manifest, task.block.name
    points = of_block(store.read(manifest, "resistance_points"), name).to_pylist()
    sweeps = of_block(store.read(manifest, "sweeps"), name).to_pylist()
    together = [r for r in of_block(store.read(manifest, "resistance"), name).to_pylist() if r["sweep"] is None]
    return BlockCharts(
        (
            *_resistance(name, points, task.units),
            *_parts(name, together, task.units),
            *_ranges(name, sweeps, task.units["motion"]),
        )
    )


def _resistance(name: str, points: list[dict[str, Any]], units: dict[str, str]) -> Iterator[Chart]:
    if not points:
        return
    motion, load = units["motion"], units["load"]

    def series(x: str, group: str) -> tuple[Series, ...]:
        made = []
        for direction in ("forward", "back"):
            own = [p for p in points if p["direction"] == direction]
            if own:
                xs, ys = (np.array([p[key] for p in own], float) for key in (x, "load"))
                made.append(Series(f"{direction}{group}", xs, ys, mark="dots"))
        return tuple(made)

    panels = (
        Panel("against motion", Axis("motion", motion), Axis("load", load), series("motion", "")),
        Panel("against speed", Axis("speed", f"{motion}/s"), Axis("load", load), series("speed", "")),
    )
    size = [abs(p["load"]) for p in points]
    speeds = [abs(p["speed"]) for p in points]
    answer = (
        "The free joint resists with ", Figure("", min(size), load), " to ", Figure("", max(size), load),
        ", at speeds of ", Figure("", min(speeds), f"{motion}/s"), " to ", Figure("", max(speeds), f"{motion}/s"), ".",
    )  # fmt: skip
    head = (("sweep", "sweep", ""), ("direction", "direction", ""), ("motion", "motion", motion),
            ("speed", "speed", f"{motion}/s"), ("load", "load", load), ("samples", "samples", ""))  # fmt: skip
    yield Chart(
        "resistance", "free", name, "resistance of the free range", answer, panels, rows_of(head, points),
        sum(p["samples"] for p in points), "samples", "benchpipe export RUN resistance_points",
        "each dot is the mean over a sixteenth of the range",
    )  # fmt: skip


def _parts(name: str, together: list[dict[str, Any]], units: dict[str, str]) -> Iterator[Chart]:
    known = [row for row in together if row["coulomb"] is not None]
    if not known:
        return
    load, series = units["load"], []
    for row in known:
        x = np.arange(1.0, len(PARTS) + 1.0)
        y = np.array([row[part] if row[part] is not None else np.nan for part in PARTS])
        u = np.array([row[f"{part}_u"] if row[f"{part}_u"] is not None else np.nan for part in PARTS])
        series.append(Series(row["direction"], x, y, *band(y, u), "bars"))
    axis = Axis("part", names=("Coulomb", "laminar", "orifice", "breakaway"))
    speed = known[0]["reference_speed"]
    answer = (
        "Coulomb friction ", Figure("", known[0]["coulomb"], load, u=known[0]["coulomb_u"]),
        f" {known[0]['direction']}; the other parts at ", Figure("", speed, f"{units['motion']}/s"), ".",
    )  # fmt: skip
    head = [("direction", "direction", "")]
    head += [pair for part in PARTS for pair in ((part, part, load), (f"{part}_u", "standard u", load))]
    yield Chart("friction", "free", name, "parts of the resistance", answer, (Panel("", axis, Axis("load", load),
                tuple(series)),), rows_of(head, known), sum(r["samples"] for r in known), "samples",
                "benchpipe export RUN resistance")  # fmt: skip


def _ranges(name: str, sweeps: list[dict[str, Any]], motion: str) -> Iterator[Chart]:
    known = [s for s in sweeps if s["lower_stop"] is not None or s["upper_stop"] is not None]
    if not known:
        return
    panels, number = [], np.array([s["sweep"] for s in known], float)
    for key, label in (("lower_stop", "lower stop"), ("upper_stop", "upper stop")):
        y, u = (np.array([np.nan if s[k] is None else s[k] for s in known]) for k in (key, f"{key}_u"))
        panels.append(Panel("", Axis("sweep"), Axis(label, motion), (Series(label, number, y, *band(y, u), "dots"),)))
    last = known[-1]
    answer = ("Range of motion in the last sweep: ", Figure("", last["range_of_motion"], motion,
              u=last["range_of_motion_u"]), ".")  # fmt: skip
    head = (("sweep", "sweep", ""), ("lower_stop", "lower stop", motion), ("upper_stop", "upper stop", motion),
            ("range_of_motion", "range of motion", motion), ("range_of_motion_u", "standard u", motion),
            ("temperature_c", "temperature", "degC"))  # fmt: skip
    yield Chart("stops", "free", name, "end stops", answer, tuple(panels), rows_of(head, sweeps), len(sweeps), "sweeps",
                "benchpipe export RUN sweeps")  # fmt: skip
