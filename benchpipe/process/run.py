"""A run's samples → cycles, loops, holds, sweeps and trends, only what is new."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.config.plan import Block, CyclicBlock, HoldBlock, SweepBlock
from benchpipe.config.rig import RigConfig
from benchpipe.config.run import RunConfig
from benchpipe.process.cutting import Anchor
from benchpipe.process.cycles import CycleBuilder, cycle_settings
from benchpipe.process.holds import HoldBuilder, rows_table
from benchpipe.process.loops import loop_numbers, loops_table
from benchpipe.process.remarks import cycle_remarks
from benchpipe.process.signals import Signals, signal_columns, stream_signals
from benchpipe.process.sweeps import SweepBuilder
from benchpipe.process.trends import MEASURES, cycle_trends, floats
from benchpipe.store.manifest import Manifest, Part, Remark, Step, key_of
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleInput, sample_inputs, stream_samples

VERSION = 1
STEP = "process"


@dataclass
class _Found:
    """What one block gave."""

    parts: list[Part] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    state: dict[str, Any] = field(default_factory=dict)


def rig_settings(rig: RigConfig) -> dict[str, Any]:
    """What of a rig file decides what is made of the samples."""
    channels = [{"name": c.name, "range": c.model_dump(mode="json")["range"]} for c in rig.channel]
    chosen = rig.model_dump(mode="json", include={"load", "motion", "temperature", "counter", "mode", "time"})
    return {"version": VERSION, "channels": channels, **chosen}


def process_run(run: RunConfig, store: RunStore, manifest: Manifest) -> Manifest:
    """Make the tables of every block whose samples or settings changed.

    Raises
    ------
    StoreError
        Samples in the store are damaged.
    """
    before = manifest.steps.get(STEP)
    settings = rig_settings(run.rig)
    blocks = {b.name: key_of({**settings, "block": b.model_dump(mode="json")}) for b in run.plan.block}
    inputs = {b.name: sample_inputs(manifest, b.files) for b in run.plan.block}
    key = key_of({name: [blocks[name], [i.identity for i in inputs[name]]] for name in blocks})
    if before is not None and before.key == key:
        return manifest
    found = _Found()
    for block in run.plan.block:
        known = before.state.get(block.name) if before else None
        one = _process_block(run, store, block, inputs[block.name], blocks[block.name], known, before)
        found.parts += one.parts
        found.remarks += one.remarks
        found.state[block.name] = one.state
    step = Step(
        key=key, version=VERSION, parts=tuple(found.parts), remarks=tuple(found.remarks), state=found.state
    )
    return store.commit(manifest.model_copy(update={"steps": {**manifest.steps, STEP: step}}))


def _process_block(
    run: RunConfig,
    store: RunStore,
    block: Block,
    inputs: list[SampleInput],
    key: str,
    known: dict[str, Any] | None,
    before: Step | None,
) -> _Found:
    identities = [i.identity for i in inputs]
    old = {part.path: part for part in before.parts} if before else {}
    if known is not None and (known["key"], known["inputs"]) == (key, identities):
        remarks = [r for r in (before.remarks if before else ()) if r.where == block.name]
        return _Found([old[path] for path in known["parts"]], remarks, known)
    new_key = key_of([key, identities])
    if isinstance(block, CyclicBlock):
        found = _cycles(run.rig, store, block, inputs, _resumable(known, key, identities), old, new_key)
    elif isinstance(block, HoldBlock):
        found = _holds(run.rig, store, block, inputs, new_key)
    elif isinstance(block, SweepBlock):
        found = _sweeps(run.rig, store, block, inputs, new_key)
    else:
        found = _Found()
    found.state |= {"key": key, "inputs": identities, "parts": [p.path for p in found.parts]}
    return found


def _resumable(known: dict[str, Any] | None, key: str, identities: list[Any]) -> dict[str, Any]:
    """What is known of a block, if its old inputs are the beginning of the new ones."""
    if known is None or known["key"] != key or known.get("anchor") is None:
        return {}
    old = known["inputs"]
    return known if old == identities[: len(old)] else {}


def _signals(
    store: RunStore, inputs: list[SampleInput], rig: RigConfig, block: Block, from_us: int | None = None
) -> Iterator[Signals]:
    columns = signal_columns(rig, block.mode)
    return stream_signals(stream_samples(store.folder, inputs, columns, from_us), rig, block.mode)


def _cycles(
    rig: RigConfig,
    store: RunStore,
    block: CyclicBlock,
    inputs: list[SampleInput],
    known: dict[str, Any],
    old: dict[str, Part],
    key: str,
) -> _Found:
    anchor = Anchor(**known["anchor"]) if known else None
    builder = CycleBuilder(cycle_settings(block, rig), rig, anchor)
    tables = [builder.feed(s) for s in _signals(store, inputs, rig, block, anchor.time_us if anchor else None)]
    tables.append(builder.finish())
    rows = pa.concat_tables(tables)
    anchor = builder.cutter.anchor
    settled = [old[path] for path in known.get("settled", [])]
    is_settled = pc.less(rows.column("start_us"), anchor.time_us) if anchor else pa.array([False] * len(rows))
    new, tail = rows.filter(is_settled), rows.filter(pc.invert(is_settled))
    settled += [store.write("cycles", new, key)] if new.num_rows else []
    parts = settled + ([store.write("cycles", tail, key)] if tail.num_rows else [])
    found = _Found(list(parts))
    columns = ["cycle", "flags", "start_us", "period_s", "complete", "counter", *MEASURES]
    cycles = store.read_parts(parts, "cycles", columns)
    loops, kept = _loops(rig, store, block, inputs, known, old, cycles, key)
    found.parts += loops
    trends = cycle_trends(block, cycles)
    found.parts += [store.write("trends", trends, key)] if trends.num_rows else []
    found.remarks = cycle_remarks(block.name, cycles)
    found.state = {
        "anchor": asdict(anchor) if anchor else None,
        "settled": [p.path for p in settled],
        "loops": {"cycles": kept, "parts": [p.path for p in loops]},
    }
    return found


def _loops(
    rig: RigConfig,
    store: RunStore,
    block: CyclicBlock,
    inputs: list[SampleInput],
    known: dict[str, Any],
    old: dict[str, Part],
    cycles: pa.Table,
    key: str,
) -> tuple[list[Part], list[int]]:
    """Loops of cycles that are not kept yet."""
    have = known.get("loops", {"cycles": [], "parts": []})
    parts = [old[path] for path in have["parts"]]
    number = floats(cycles.column("cycle"))
    last = int(np.nanmax(number)) if np.isfinite(number).any() else 0
    wanted = [n for n in loop_numbers(last) if n not in have["cycles"]] if last else []
    if wanted:
        at = np.flatnonzero(np.isin(number, wanted))
        start = np.array(cycles.column("start_us"))[at]
        period = floats(cycles.column("period_s"))[at]
        table = loops_table(store.folder, inputs, rig, block, number[at].astype(np.int64), start, period)
        parts.append(store.write("loops", table, key))
    return parts, [*have["cycles"], *wanted]


def _holds(rig: RigConfig, store: RunStore, block: HoldBlock, inputs: list[SampleInput], key: str) -> _Found:
    builder = HoldBuilder(block, rig)
    for signals in _signals(store, inputs, rig, block):
        builder.feed(signals)
    rows = builder.finish()
    found = _Found()
    for table, content in (("holds", rows.holds), ("creep_points", rows.points)):
        if content:
            found.parts.append(store.write(table, rows_table(table, content, rig), key))
    return found


def _sweeps(rig: RigConfig, store: RunStore, block: SweepBlock, inputs: list[SampleInput], key: str) -> _Found:
    builder = SweepBuilder(block, rig)
    tables = [builder.feed(s) for s in _signals(store, inputs, rig, block)]
    rows = pa.concat_tables(tables) if tables else None
    return _Found([store.write("sweeps", rows, key)] if rows is not None and rows.num_rows else [])
