"""View of stance windows."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.figures import BlockView, Figure, of_block, thinned
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.columns import floats
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


def stance_view(block: StanceBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """The last stance window, with the trend over all."""
    rows = of_block(store.read(manifest, "stances"), block.name)
    figures: list[Figure] = []
    for column, label, unit in (
        ("load_mean", "load", units["load"]),
        ("drift", f"drift in {block.window_s:g} s", units["motion"]),
        ("motion_range", "range", units["motion"]),
        ("motion_range_95", "range, middle 95 %", units["motion"]),
        ("compliance", "compliance", f"{units['motion']}/({units['load']})"),
    ):
        value = floats(rows.column(column))
        if value.size and np.isfinite(value[-1]):
            u = float(floats(rows.column(f"{column}_u"))[-1]) if f"{column}_u" in rows.column_names else None
            trend = tuple(thinned(value[np.isfinite(value)]))
            figures.append(Figure(label, float(value[-1]), unit, None, trend, u))
    said = (rows.column("remark")[-1].as_py() or "") if rows.num_rows else ""
    return BlockView(block.name, block.kind, rows.num_rows, block.planned_windows, tuple(figures), said)
