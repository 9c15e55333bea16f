"""View of sweeps through the free range."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchpipe.blocks.figures import BlockView, Figure, of_block, thinned
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.columns import floats
from benchpipe.kernels.robust import median
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

PARTS = (("coulomb", "Coulomb"), ("laminar", "laminar"), ("orifice", "orifice"), ("breakaway", "breakaway"))


def sweep_view(block: SweepBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """Medians over all sweeps, and the parts of the resistance from the fit over all of them."""
    sweeps = of_block(store.read(manifest, "sweeps"), block.name)
    figures: list[Figure] = []
    for column, label, of in (
        ("range_of_motion", "range of motion", "motion"),
        ("usable_range", "usable range", "motion"),
        ("backlash", "backlash", "motion"),
        ("resistance_forward", "resistance forward", "load"),
        ("resistance_back", "resistance back", "load"),
        ("asymmetry", "asymmetry", "load"),
    ):
        value, u = floats(sweeps.column(column)), floats(sweeps.column(f"{column}_u"))
        known = np.isfinite(value)
        if known.any():
            trend = tuple(thinned(value[known]))
            figures.append(Figure(label, median(value), units[of], None, trend, median(u[known])))
    resistance = of_block(store.read(manifest, "resistance"), block.name).to_pylist()
    together = [row for row in resistance if row["sweep"] is None]
    for row in together:
        figures += [
            Figure(label, row[name], units["load"], None, (), row[f"{name}_u"], row["direction"])
            for name, label in PARTS if row[name] is not None
        ]  # fmt: skip
    said = _sweep_words(sweeps.num_rows, figures, together, sweeps.column("remark").to_pylist(), units)
    return BlockView(block.name, block.kind, sweeps.num_rows, block.planned_sweeps, tuple(figures), said)


def _sweep_words(
    count: int, figures: list[Figure], together: list[dict[str, Any]], remarks: list[str | None], units: dict[str, str]
) -> str:
    """At which speed the parts hold, and what could not be determined."""
    if not count:
        return ""
    words = [f"parts at {row['reference_speed']:.3g} {units['motion']}/s" for row in together[:1] if figures[-1].group]
    if not any(f.name == "range of motion" for f in figures):
        last = (remarks[-1] or "").split("; ")
        words += [remark for remark in last if "stop" in remark or "measured" in remark]
    words += dict.fromkeys(part for row in together for part in (row["remark"] or "").split("; ") if part)
    return "; ".join(words)
