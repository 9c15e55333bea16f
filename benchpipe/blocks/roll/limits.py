"""What of rolls is judged: one row a measure.

A mean is one value, over the passes with their scatter; it counts as measured where as many passes have a figure as the
plan asks for. An extreme, a median and the last are of the passes, each with the uncertainty of its fit: there, a pass
without a figure may hide a violation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import inf, isfinite, nan
from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.blocks.left_out import item_reasons
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.roll.means import RollRows, last_remark, one_way, rows_from
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.values import Asked, Through, Values, nothing, of_rows, own_u, values_of
from benchpipe.columns import floats
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.rocker_passes import COVERAGE, PassesMean, RatioInterval, ratio_of

FEWEST = 2
"""Passes from which on their scatter is known."""
FITTED = {"curvature_per_m": "curvature_dof", "slope_mm": "slope_dof", "stiffness": "stiffness_dof"}
"""Columns that a fit gives an uncertainty of its own, and the column of its degrees of freedom."""


def _of_passes(column: str) -> Callable[[Asked, pa.Table], Values]:
    def make(asked: Asked, rows: pa.Table) -> Values:
        found = rows_from(rows, asked.block.direction)
        mean = found.mean(column)
        if not isfinite(mean.value):
            return nothing(last_remark(rows) or f"no pass gives it ({asked.block.direction})", due=True)
        if asked.limit.statistic == "mean":
            values = _one(asked, rows, mean.value, mean.u, mean.dof, _doubt(mean))
        else:
            values = _each(asked, one_way(rows, asked.block.direction), column)
        return replace(values, through=tuple(_through(asked.block, found, follows(found, column))))

    return make


def follows(found: RollRows, column: str) -> dict[str, float]:
    """Relative change of a figure for a relative change of what it is measured by."""
    if column == "curvature_per_m":
        size = found.mean(column).value
        by = {one: found.mean(f"by_{one}").value / size if size else nan for one in ("cop", "ankle", "tilt")}
        return {one: value for one, value in by.items() if isfinite(value)}
    if column == "stiffness":
        moved = found.mean("force_mean_n").value * found.mean("slope_mm").value * 1e-3 * np.pi / 180.0
        return {"force": 1.0, "cop": float(moved / found.mean(column).value), "tilt": -1.0}
    return {"cop": 1.0, "tilt": -1.0} if column == "slope_mm" else {"cop": 1.0}


def _through(block: RollBlock, found: RollRows, by: dict[str, float]) -> Iterator[Through]:
    """The same by channel, with the range of each; several channels of one thing share it."""
    tilt = found.mean("tilt_high_deg").value - found.mean("tilt_low_deg").value
    arc = found.mean("arc_length_mm").value
    sizes = {"cop": arc, "ankle": arc, "tilt": tilt, "force": found.mean("force_mean_n").value}
    for one, factor in by.items():
        for name in block.measured_by[one]:
            yield Through(name, factor, sizes[one])


def _channels(*of: str) -> Callable[[Any], tuple[str, ...]]:
    def names(block: Any) -> tuple[str, ...]:
        return tuple(name for one in of for name in block.measured_by[one])

    return names


def _doubt(mean: PassesMean) -> str:
    if mean.passes < FEWEST:
        return "one pass: the scatter between passes is not known"
    return ""


def _each(asked: Asked, rows: pa.Table, column: str) -> Values:
    """One value a pass."""
    reason, share = item_reasons(rows, asked.rate)
    starts, number = rows.column("start_us").to_pylist(), floats(rows.column("roll"))
    dof = {"dof": floats(rows.column(asked.measure.dof_column))} if asked.measure.dof_column else {}
    return values_of(
        number, floats(rows.column(column)), own_u(asked.measure, rows), len(number), what="pass", reason=reason,
        lost_share=share, between_us=(starts[0], starts[-1]), why=last_remark(rows), **dof,
    )  # fmt: skip


def _measured(asked: Asked, rows: pa.Table) -> float:
    """Share of the passes that have a figure; all, where as many have one as the plan asks for."""
    found, used = one_way(rows, asked.block.direction), rows_from(rows, asked.block.direction).used
    enough = used.num_rows >= asked.block.planned_passes
    return 1.0 if enough or not found.num_rows else used.num_rows / found.num_rows


def _one(asked: Asked, rows: pa.Table, value: float, u: float, dof: float, doubt: str) -> Values:
    """One value of a block, with what of its rows is lost."""
    used = rows_from(rows, asked.block.direction).used
    reason, share = item_reasons(used, asked.rate)
    worst = int(np.argmax(share))
    starts, numbers = rows.column("start_us").to_pylist(), used.column("roll").to_pylist()
    return values_of(
        np.array([float(numbers[-1])]), np.array([value]), np.array([u]), 1,
        dof=np.array([dof if isfinite(dof) else inf]), reason=reason[worst : worst + 1],
        lost_share=share[worst : worst + 1],
        names=(f"mean of {used.num_rows} passes",), between_us=(starts[0], starts[-1]), doubt=doubt,
        measured=_measured(asked, rows),
    )  # fmt: skip


def _ratio(asked: Asked, rows: pa.Table) -> Values:
    """Ratio of the curvature to that of ``compare_with``, with the wider half of Fieller's interval."""
    other = asked.block.compare_with
    if other is None:
        return nothing(f"block '{asked.block.name}' has no compare_with", due=True)
    others = asked.tables.block("rolls", other)
    found = compared(rows, others, asked.block.direction)
    if not found.known:
        return nothing(found.why or "the ratio has no bound", due=True)
    half = max(found.high - found.value, found.value - found.low)
    least = min(_measured(asked, rows), _measured(asked, others))
    hides = asked.limit.statistic in ("max", "min") and least < 1.0
    doubt = "passes without a figure may hide a ratio that breaks it" if hides else ""
    values = _one(asked, rows, found.value, half / t_quantile(COVERAGE, inf), inf, doubt)
    own, free = rows_from(rows, asked.block.direction), rows_from(others, asked.block.direction)
    top, bottom = follows(own, "curvature_per_m"), follows(free, "curvature_per_m")
    apart = {one: top[one] - bottom[one] for one in top if one in bottom}  # what both share cancels
    return replace(values, names=("ratio",), measured=least, through=tuple(_through(asked.block, own, apart)))


def compared(rows: pa.Table, others: pa.Table, direction: str) -> RatioInterval:
    """Ratio of the curvatures of two blocks."""
    if not others.num_rows:
        return RatioInterval(nan, nan, nan, "the other block has no pass")
    top, bottom = (rows_from(one, direction).mean("curvature_per_m") for one in (rows, others))
    return ratio_of(top, bottom)


def _roll(
    name: str, column: str, unit: str, meaning: str, of: tuple[str, ...] = ("cop", "ankle", "tilt")
) -> Measure:
    return Measure(
        name, "roll", "rolls", (column,), unit, 0, 0, meaning, values=of_rows("rolls", _of_passes(column)),
        channels=_channels(*of), u_column=f"{column}_u" if column in FITTED else None, dof_column=FITTED.get(column),
    )  # fmt: skip


MEASURES: tuple[Measure, ...] = (
    _roll("rocker_curvature", "curvature_per_m", "1/m", "curvature of the rocker, mean over passes"),
    _roll("rolling_slope", "slope_mm", "mm", "travel of the centre of pressure per radian of tilt, over passes",
          ("cop", "tilt")),
    _roll("rocker_arc", "arc_length_mm", "mm", "length of the arc rolled over, mean over passes", ("cop",)),
    _roll("foot_length_ratio", "foot_length_ratio", "1", "heel to the front end of the arc, part of the foot's length",
          ("cop",)),
    _roll("roll_stiffness", "stiffness", "N*m/deg", "moment about the ankle per degree of tilt, mean over passes",
          ("force", "cop", "tilt")),
    Measure("rocker_ratio", "roll", "rolls", (), "1", 0, 0,
            "curvature over that of the block compare_with", values=of_rows("rolls", _ratio), every_event=False,
            channels=_channels("cop", "ankle", "tilt")),
)  # fmt: skip
