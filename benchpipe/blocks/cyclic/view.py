"""View of load cycling."""

from __future__ import annotations

import pyarrow.compute as pc

from benchpipe.blocks.cyclic.final_cycles import last_cycles
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.planned_end import block_end
from benchpipe.blocks.figures import BlockView, Figure, of_block, thinned
from benchpipe.columns import floats
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


def cyclic_view(block: CyclicBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    end = block_end(block, manifest, last_cycles(block.name, manifest, store).done)
    trends = of_block(store.read(manifest, "trends"), block.name)
    figures = []
    for measure, label, unit in (
        ("secant_stiffness", "secant stiffness", f"{units['load']}/{units['motion']}"),
        ("energy_j", "loop energy", "J"),
        ("loss_factor", "loss factor", "1"),
        ("load_range", "load range", units["load"]),
        ("motion_range", "motion range", units["motion"]),
        ("temperature_c", "temperature", "degC"),
    ):
        rows = trends.filter(pc.equal(trends.column("measure"), measure))
        if rows.num_rows:
            values, change = floats(rows.column("median")), rows.column("change").to_pylist()[-1]
            figures.append(Figure(label, float(values[-1]), unit, change, tuple(thinned(values))))
    said = "; ".join(filter(None, (end.difference, end.undecided))) if block.planned_by == "counter" else end.undecided
    return BlockView(block.name, block.kind, end.cycles, end.planned, tuple(figures), said, end.over)
