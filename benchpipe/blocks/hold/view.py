"""View of a hold block: the last hold, and how the holds compare."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.blocks.figures import BlockView, Figure, duration, of_block, thinned
from benchpipe.blocks.hold.levels import leak_over_levels
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.columns import floats
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

OVER_LIFE = "creep at the end of a hold after"
# What a kind of creep is called; a steady one is a leak where the law says so.
WORDS = {"settling": "decaying creep", "leaking": "steady creep", "both": "decaying and steady creep"}
SHOWN_IF_KNOWN = {"recovered": "recovered", "creep from full load": "creep_full_end"}  # figure: its column
MOST_TOLD = 20  # holds over the life of a run


def hold_view(block: HoldBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """The last hold of a block, its creep at the asked times, and creep over the run's life."""
    every = store.read(manifest, "holds")
    holds = of_block(every, block.name).to_pylist()
    if not holds:
        return BlockView(block.name, block.kind, 0, block.planned_holds, ())
    points = of_block(store.read(manifest, "creep_points"), block.name).to_pylist()
    last, motion = holds[-1], units["motion"]
    points = [p for p in points if p["hold"] == last["hold"]]
    known = np.array([p["creep"] for p in points if p["kind"] == "curve" and p["creep"] is not None])
    figures = [
        Figure("hold time", last["duration_s"], "s"),
        Figure("load", last["load_mean"], units["load"], u=last.get("load_mean_u")),
        Figure("elastic motion", last["elastic_motion"], motion, u=last["elastic_motion_u"]),
        *_asked(points, motion),
        Figure("creep at the end", last["creep_end"], motion, None, tuple(thinned(known)) if known.size else (),
               u=last["creep_end_u"]),
        Figure("creep from full load", last.get("creep_full_end"), motion, u=last.get("creep_full_end_u")),
        Figure("rate at the end", last["rate_end_per_h"], f"{motion}/h", u=last["rate_end_u_per_h"]),
        Figure("leak", last["leak_per_h"], f"{motion}/h", u=last["leak_u_per_h"]),
        Figure("recovered", last["recovered"], "1", u=last["recovered_u"]),
        Figure("temperature", last["temperature_c"], "degC"),
    ]  # fmt: skip
    absent = [name for name, key in SHOWN_IF_KNOWN.items() if last.get(key) is None]
    figures = [one for one in figures if one.name not in absent]
    figures += _over_life(holds, motion, manifest, store)
    said = [_words(last, motion), *_exponent(every)]
    return BlockView(block.name, block.kind, len(holds), block.planned_holds, tuple(figures), "; ".join(said))


def _asked(points: list[dict[str, Any]], motion: str) -> list[Figure]:
    """Creep at the asked times, one line; what lies beyond the hold is named so."""
    beyond = {"asked": "", "projected": " (projected)", "projection": " (projection)"}
    asked = [p for p in points if p["kind"] in beyond and p["creep"] is not None]
    return [
        Figure(f"{duration(p['time_s'])}{beyond[p['kind']]}", p["creep"], motion, group="creep in", u=p["creep_u"])
        for p in asked
    ]


def _words(hold: dict[str, Any], motion: str) -> str:
    """The last hold in plain words."""
    said = WORDS.get(hold["kind"], hold["kind"])
    if hold["kind"] == "not measurable" and hold["creep_bound"] is not None:
        minutes = hold["duration_s"] / 60.0
        said = f"moves less than {hold['creep_bound']:.2g} {motion} in {minutes:.3g} min, 95 %"
    taken = [
        f"{hold[column]:+.2g} {motion} of {what} taken off"
        for what, column in (("load wobble", "load_taken_off"), ("temperature", "temperature_taken_off"))
        if hold[column] is not None
    ]
    begins = hold.get("creep_from_s")  # tables of a signed run may be older than the column
    since = [f"creep counts from {begins:.3g} s after full load"] if begins else []
    more = [*since, *([hold["remark"]] if hold["remark"] else []), *taken]
    return f"{said} ({'; '.join(more)})" if more else said


def _over_life(holds: list[dict[str, Any]], motion: str, manifest: Manifest, store: RunStore) -> list[Figure]:
    """Creep of repeated holds against the cycles done before each."""
    known = [h for h in holds if h["creep_end"] is not None]
    if len(known) < 2:
        return []
    cycles = store.read(manifest, "cycles", ["cycle", "start_us"])
    start = np.sort(floats(cycles.column("start_us"))[np.isfinite(floats(cycles.column("cycle")))])
    at = np.unique(np.linspace(0, len(known) - 1, min(len(known), MOST_TOLD)).round().astype(int))
    done = [int(np.searchsorted(start, known[k]["start_us"])) for k in at]
    return [
        Figure(f"{n:,} cycles", known[k]["creep_end"], motion, u=known[k]["creep_end_u"], group=OVER_LIFE, after=n)
        for k, n in zip(at, done, strict=True)
    ]


def _exponent(holds: pa.Table) -> list[str]:
    """How the leak grows with the load, over holds of three levels or more."""
    found = leak_over_levels(holds)
    if not found.converged:
        return []
    low, high = found.slope_interval
    return [f"the leak grows with the load to the power {found.slope:.2g} ({low:.2g} to {high:.2g}, 95 %)"]
