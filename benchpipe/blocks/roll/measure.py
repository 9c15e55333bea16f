"""Samples → rows of the rolls and roll_points tables. A block is measured whole: it is short."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.roll.passes import Pass, passes_of
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.roll.reading import ANKLE, ANKLE_UP, COP, COP_UP, FORCE, PLATE, TILT, TRAVEL, roll_samples
from benchpipe.blocks.roll.stretches import StretchFinder
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.state import BlockState
from benchpipe.kernels.rocker_pass import PassResult, measure_pass
from benchpipe.kernels.rocker_passes import SURE
from benchpipe.store.manifest import Remark

Row = dict[str, Any]
MM = 1e3


def roll_block(task: BlockTask[RollBlock, BlockState]) -> Found:
    """Measure the passes of a block."""
    block, rig, store = task.block, task.rig, task.store
    gap_us = round(1e6 * rig.time.gap_s)
    finder = StretchFinder(block.contact_force, gap_us, round(1e6 * block.longest))
    rows: list[Row] = []
    points: list[Row] = []

    def take(stretches: Any) -> None:
        for stretch in stretches:
            for one in passes_of(stretch, block):
                row, shape = _row(len(rows) + 1, one, block)
                rows.append(row)
                points.extend(shape)

    at_ends: Counter[str] = Counter()
    for samples in roll_samples(store, task.inputs, rig, block, at_ends):
        take(finder.feed(samples))
    take(finder.rest())
    lacking = [row.pop("lost") for row in rows]
    rows = with_losses(task, rows, beyond=False)
    rows = [{**row, "lost_rows": row["lost_rows"] + more} for row, more in zip(rows, lacking, strict=True)]
    parts = [
        store.write(name, rows_table(name, made, rig), task.key)
        for name, made in (("rolls", rows), ("roll_points", points))
        if made
    ]
    return Found(parts, _remarks(block, rows, finder, +at_ends))


def _row(number: int, one: Pass, block: RollBlock) -> tuple[Row, list[Row]]:
    values, time = one.samples.values, one.samples.time_us
    turned = 1 if one.forward else -1
    tilt = values[TILT]
    result = PassResult(why=one.why)
    if not one.why:
        ordered = values[:, ::turned]  # from heel to toe, whichever way
        result = measure_pass(
            ordered[[COP, COP_UP]], ordered[[ANKLE, ANKLE_UP]], ordered[TILT], ordered[TRAVEL], ordered[FORCE]
        )
    plate = values[PLATE][np.isfinite(values[PLATE])]
    degrees = np.degrees(tilt[np.isfinite(tilt)])
    way = "forward" if one.forward else "back"
    row = {
        "block": block.name, "roll": number, "direction": way, "axes": block.axes,
        "plate": round(float(plate[0])) if plate.size else None,
        "start_us": int(time[0]), "duration_s": float(time[-1] - time[0]) * 1e-6, "samples": len(one.samples),
        "tilt_low_deg": float(np.min(degrees, initial=np.inf)),
        "tilt_high_deg": float(np.max(degrees, initial=-np.inf)),
        "force_peak_n": one.peak_n, "lost": one.lost, "force_mean_n": float(np.nanmean(values[FORCE])),
        "stuck_rows": one.stuck, **_figures(result, block), "remark": _words(one, result) or None,
    }  # fmt: skip
    shape = [
        {"block": block.name, "roll": number, "direction": way, "x_m": x, "y_m": y, "tilt_deg": g}
        for x, y, g in zip(result.x.tolist(), result.y.tolist(), np.degrees(result.tilt).tolist(), strict=True)
    ]
    return row, shape


def _words(one: Pass, result: PassResult) -> str:
    stuck = f"a channel is stuck on {one.stuck} of its rows" if one.stuck else ""
    lost = f"{one.lost} of its rows lack a value" if one.lost and result.why else ""
    return "; ".join(filter(None, (result.why or result.caution, stuck, lost)))


def _figures(result: PassResult, block: RollBlock) -> Row:
    """Columns of the figures; NaN becomes null."""
    curved = result.curvature
    sure = curved.value > SURE * curved.u
    ratio = np.nan
    if block.foot_length is not None and block.heel_behind_ankle is not None:
        ratio = (block.heel_behind_ankle * 1e-3 + result.front) / (block.foot_length * 1e-3)
    heel, mid, fore = (MM * third for third in result.thirds)
    by_cop, by_ankle, by_tilt = result.follows
    return {
        "curvature_per_m": curved.value, "curvature_per_m_u": curved.u, "curvature_dof": curved.dof,
        "radius_m": 1.0 / curved.value if sure else np.nan, "arc_length_mm": MM * result.length,
        "foot_length_ratio": ratio,
        "slope_mm": MM * result.slope.value, "slope_mm_u": MM * result.slope.u, "slope_dof": result.slope.dof,
        "slope_heel_mm": heel, "slope_mid_mm": mid, "slope_fore_mm": fore,
        "stiffness": result.stiffness.value, "stiffness_u": result.stiffness.u, "stiffness_dof": result.stiffness.dof,
        "rms_mm": MM * result.rms, "rho": result.rho, "tangent_deg": float(np.degrees(result.tangent)),
        "by_cop": by_cop, "by_ankle": by_ankle, "by_tilt": by_tilt,
    }  # fmt: skip


def _remarks(block: RollBlock, rows: list[Row], finder: StretchFinder, at_ends: Counter[str]) -> list[Remark]:
    """What is odd about the block as a whole."""

    def remark(code: str, count: int, text: str) -> Remark:
        return Remark(step="process", code=code, where=block.name, count=count, text=text)

    found = []
    for name, count in at_ends.items():
        text = f"'{name}' is at an end of its range on {count} row(s) under load: none of them is used"
        found.append(remark("saturated", count, text))
    if finder.too_long:
        text = f"the foot stayed loaded for longer than {block.longest:g} s: no roll (longest of the plan)"
        found.append(remark("no-roll", finder.too_long, text))
    if not rows and np.isfinite(finder.peak_n) and finder.peak_n < block.contact_force:
        text = (
            f"no pass: the force never reaches contact_force, {block.contact_force:g} N; its largest value is "
            f"{finder.peak_n:.4g} N"
        )
        found.append(remark("no-roll", 1, text))
    elif not rows:
        found.append(remark("no-roll", 1, f"no pass in its samples (window: {block.window_words})"))
    lost = [row for row in rows if row["remark"] and not np.isfinite(row["curvature_per_m"])]
    for why in dict.fromkeys(row["remark"] for row in lost):
        same = [row["roll"] for row in lost if row["remark"] == why]
        found.append(remark("roll-refused", len(same), f"no figure of pass {', '.join(map(str, same[:5]))}: {why}"))
    return found
