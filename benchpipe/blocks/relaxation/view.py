"""View of a block of held motions: the last one, and the load that each lost."""

from __future__ import annotations

import numpy as np

from benchpipe.blocks.figures import BlockView, Figure, duration, of_block, thinned
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

WORDS = {"settling": "decaying loss", "leaking": "steady loss (a leak)", "both": "decaying and steady loss"}


def relaxation_view(block: RelaxationBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """The last held motion of a block, and the load lost at the asked times."""
    held = of_block(store.read(manifest, "relaxations"), block.name).to_pylist()
    if not held:
        return BlockView(block.name, block.kind, 0, block.planned_relaxations, ())
    points = of_block(store.read(manifest, "relaxation_points"), block.name).to_pylist()
    last, load = held[-1], units["load"]
    points = [p for p in points if p["relaxation"] == last["relaxation"]]
    curve = np.array([p["load"] for p in points if p["kind"] == "curve"])
    figures = [
        Figure("hold time", last["duration_s"], "s"),
        Figure("motion", last["motion_mean"], units["motion"]),
        Figure("load at full motion", last["load_start"], load),
        Figure("load at the end", last["load_end"], load, None, tuple(thinned(curve)) if curve.size else ()),
        Figure("load lost", last["load_lost_end"], load, u=last["load_lost_end_u"]),
        Figure("part of it lost", last["load_lost_part_end"], "1", u=last["load_lost_part_end_u"]),
        Figure("rate at the end", last["rate_end"], f"{load}/s", u=last["rate_end_u"]),
        Figure("temperature", last["temperature_c"], "degC"),
    ]  # fmt: skip
    figures += [
        Figure(duration(p["time_s"]), p["load_lost"], load, group="load lost in", u=p["load_lost_u"])
        for p in points
        if p["kind"] == "asked" and p["load_lost"] is not None
    ]
    if len(held) > 1:
        figures += [
            Figure(f"relaxation {h['relaxation']}", h["load_lost_end"], load, group="load lost at the end of",
                   u=h["load_lost_end_u"])
            for h in held
        ]  # fmt: skip
    said = f"{WORDS.get(last['kind'], last['kind'])}{f' ({why})' if (why := last['remark']) else ''}"
    return BlockView(block.name, block.kind, len(held), block.planned_relaxations, tuple(figures), said)
