"""Chart of lock changes: times and slip of each."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block


def locking_charts(task: ChartTask) -> BlockCharts:
    """The lock changes of a block in one chart."""
    changes = of_block(task.store.read(task.manifest, "lock_changes"), task.block.name).to_pylist()
    if not changes:
        return BlockCharts()
    motion = task.units["motion"]
    x = np.array([c["lock_change"] for c in changes], float)

    def series(key: str, u_key: str, label: str) -> tuple[Series, ...]:
        y, u = (np.array([np.nan if c[k] is None else c[k] for c in changes], float) for k in (key, u_key))
        return (Series(label, x, y, *band(y, u), "dots"),) if np.isfinite(y).any() else ()

    times = (*series("time_to_hold_s", "time_to_hold_u_s", "time to hold"),
             *series("time_to_free_s", "time_to_free_u_s", "time to free"))  # fmt: skip
    slips = series("slip", "slip_u", "slip")
    number = Axis("lock change")
    panels = [Panel("times", number, Axis("time", "s"), times)] if times else []
    panels += [Panel("slip", number, Axis("slip", motion), slips)] if slips else []
    failed = sum(bool(c["lock_failed"]) or bool(c["unlock_failed"]) for c in changes)
    slip = [abs(c["slip"]) for c in changes if c["slip"] is not None]
    answer: list[str | Figure] = [f"{failed:,} of {len(changes):,} lock changes failed"]
    answer += ["; largest slip ", Figure("", max(slip), motion)] if slip else []
    head = (
        ("lock_change", "lock change", ""), ("to", "to", ""), ("outcome", "outcome", ""),
        ("time_to_hold_s", "time to hold", "s"), ("time_to_free_s", "time to free", "s"), ("slip", "slip", motion),
        ("slip_u", "standard u", motion), ("peak_load", "peak load", task.units["load"]), ("remark", "remark", ""),
    )  # fmt: skip
    return BlockCharts(
        (
            Chart("lock-changes", "proofs", task.block.name, "lock changes", (*answer, "."), tuple(panels),
                  rows_of(head, changes), sum(c["samples"] for c in changes), "samples",
                  "benchpipe export RUN lock_changes"),
        )
    )  # fmt: skip
