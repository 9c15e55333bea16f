"""View of lock changes."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.figures import BlockView, Figure, of_block, thinned
from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.columns import floats
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


def locking_view(block: LockingBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """Medians over all lock changes, and how many failed."""
    rows = of_block(store.read(manifest, "lock_changes"), block.name)
    figures = []
    for label, name, unit in (
        ("time to hold", "time_to_hold_s", "s"),
        ("time to free", "time_to_free_s", "s"),
        ("slip", "slip", units["motion"]),
        ("held less asked", "lock_error", units["motion"]),
    ):
        values = floats(rows.column(name))
        known = values[np.isfinite(values)]
        if known.size:
            figures.append(Figure(label, float(np.median(known)), unit, None, tuple(thinned(known))))
    outcomes = rows.column("outcome").to_pylist()
    counts = {word: outcomes.count(word) for word in sorted(set(outcomes))}
    said = ", ".join(f"{count:,} {word}" for word, count in counts.items())
    return BlockView(block.name, block.kind, rows.num_rows, block.planned_changes, tuple(figures), said)
