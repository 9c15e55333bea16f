"""Chart of proofs: held load and permanent set of each."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.charts import Axis, BlockCharts, Chart, ChartTask, Panel, Series, band, rows_of
from benchpipe.blocks.figures import Figure, of_block


def proof_charts(task: ChartTask) -> BlockCharts:
    """The proofs of a block in one chart."""
    proofs = of_block(task.store.read(task.manifest, "proofs"), task.block.name).to_pylist()
    if not proofs:
        return BlockCharts()
    load, motion, last = task.units["load"], task.units["motion"], proofs[-1]
    panels = []
    for key, label, unit in (("held_load", "held load", load), ("permanent_set", "permanent set", motion)):
        y, u = (np.array([np.nan if p[k] is None else p[k] for p in proofs], float) for k in (key, f"{key}_u"))
        if len(proofs) > 1 and np.isfinite(y).any():
            x = np.array([p["proof"] for p in proofs], float)
            panels.append(Panel("", Axis("proof"), Axis(label, unit), (Series(label, x, y, *band(y, u), "dots"),)))
    answer = (
        f"{last['outcome'][:1].upper()}{last['outcome'][1:]}: peak load ", Figure("", last["peak_load"], load),
        ", permanent set ", Figure("", last["permanent_set"], motion, u=last["permanent_set_u"]),
        " (still recovering)." if last["permanent_set_recovering"] else ".",
    )  # fmt: skip
    head = (
        ("proof", "proof", ""), ("outcome", "outcome", ""), ("loading_rate", "loading rate", f"{load}/s"),
        ("peak_load", "peak load", load), ("held_load", "held load", load), ("hold_time_s", "hold time", "s"),
        ("permanent_set", "permanent set", motion), ("permanent_set_u", "standard u", motion),
        ("stiffness_before", "stiffness, loading", f"{load}/{motion}"),
        ("stiffness_after", "stiffness, unloading", f"{load}/{motion}"), ("sudden_drop", "sudden drops", ""),
        ("remark", "remark", ""),
    )  # fmt: skip
    return BlockCharts(
        (
            Chart("proofs", "proofs", task.block.name, "proof tests", answer, tuple(panels), rows_of(head, proofs),
                  sum(p["samples"] for p in proofs), "samples", "benchpipe export RUN proofs"),
        )
    )  # fmt: skip
