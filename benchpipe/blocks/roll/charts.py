"""Charts of rolls: the shape of each pass, and the curvature of one pass beside the next."""

from __future__ import annotations

from math import isfinite

import numpy as np

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Ruler, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block
from benchpipe.blocks.roll.means import RollRows, roll_rows
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.roll.reference import Published, published_radius, published_words
from benchpipe.blocks.roll.view import ratio_to_other, ratio_words
from benchpipe.columns import floats
from benchpipe.kernels.rocker_passes import radius_words

HEAD = (
    ("roll", "pass", ""), ("direction", "direction", ""), ("plate", "plate", ""),
    ("curvature_per_m", "curvature", "1/m"),
    ("curvature_per_m_u", "standard u of the fit", "1/m"), ("slope_mm", "rolling slope", "mm"),
    ("slope_heel_mm", "heel third", "mm"), ("slope_mid_mm", "mid third", "mm"),
    ("slope_fore_mm", "forefoot third", "mm"),
    ("arc_length_mm", "arc", "mm"), ("rms_mm", "rms", "mm"), ("tilt_low_deg", "tilt from", "deg"),
    ("tilt_high_deg", "to", "deg"), ("stiffness", "moment a degree", "N*m/deg"), ("force_mean_n", "mean force", "N"),
    ("remark", "remark", ""),
)  # fmt: skip
MOST_SHAPES = 6
"""Passes whose shape is drawn, at most."""


def roll_charts(task: ChartTask) -> BlockCharts:
    """One chart of a block: shapes, and curvatures of its passes."""
    block: RollBlock = task.block
    here = roll_rows(block, task.manifest, task.store)
    if not here.used.num_rows:
        return BlockCharts()
    mean = here.mean("curvature_per_m")
    figure = Figure("", mean.value, "1/m", u=mean.u if isfinite(mean.u) else None,
                    expanded_u=mean.half if isfinite(mean.u) else None)  # fmt: skip
    ratio = ratio_to_other(block, task.manifest, task.store)
    more = f"; {ratio_words(block, ratio)}" if ratio is not None else ""
    found = _published(block)
    more += f"; {published_words(found)}" if found is not None else ""
    answer = (f"Curvature in {block.axes} axes over {mean.passes} passes: ", figure, f"; {radius_words(mean)}{more}.")
    panels = [*_shape(task, block, here), *_passes(block, here)]
    rows = rows_of(HEAD, here.rows.to_pylist())
    points = int(np.sum(floats(here.used.column("samples"))))
    return BlockCharts(
        (
            Chart("rocker", "load", block.name, f"rocker in {block.axes} axes", answer, tuple(panels), rows, points,
                  "samples", "benchpipe export RUN rolls", "means of neighbours, up to 40 a pass"),
        )
    )  # fmt: skip


def _shape(task: ChartTask, block: RollBlock, here: RollRows) -> list[Panel]:
    """Centre of pressure in the axes of the block, each pass."""
    points = of_block(task.store.read(task.manifest, "roll_points"), block.name)
    number, x, y = (floats(points.column(name)) for name in ("roll", "x_m", "y_m"))
    used = here.used.column("roll").to_pylist()
    if len(used) > MOST_SHAPES:
        used = [used[round(k * (len(used) - 1) / (MOST_SHAPES - 1))] for k in range(MOST_SHAPES)]
    series = tuple(Series(f"pass {one}", 1e3 * x[number == one], 1e3 * y[number == one]) for one in used)
    title = f"shape, {block.axes} axes"
    return [Panel(title, Axis("forward of the ankle", "mm"), Axis("up the shank", "mm"), series)] if series else []


def _published(block: RollBlock) -> tuple[float, Published] | None:
    stature = block.person.stature
    return published_radius(block.person.published, block.axes, None if stature is None else stature / 1e3)


def _passes(block: RollBlock, here: RollRows) -> list[Panel]:
    if here.used.num_rows < 2:
        return []
    number, y, u = (floats(here.used.column(name)) for name in ("roll", "curvature_per_m", "curvature_per_m_u"))
    rulers = []
    found = _published(block)
    if found is not None:
        rulers.append(Ruler(1.0 / found[0], f"published, {found[1].people}"))
    if block.person.centre_of_mass is not None:
        rulers.append(Ruler(1e3 / block.person.centre_of_mass, "one by the height of the centre of mass"))
    series = Series("curvature", number, y, *band(y, u), "dots")
    return [Panel("passes", Axis("pass"), Axis("curvature", "1/m"), (series,), tuple(rulers))]
