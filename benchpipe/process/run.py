"""A run's samples → cycles, loops, holds, sweeps and trends, only what is new."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from benchpipe.blocks.found import Found
from benchpipe.blocks.registry import kind_of
from benchpipe.blocks.rejected import identity_of, only_added, rejected_rows
from benchpipe.blocks.task import BlockTask
from benchpipe.config.rig import RigConfig
from benchpipe.plan import Block
from benchpipe.process.order import CODES, Span, block_span, order_remarks
from benchpipe.process.outside_table import outside_remarks, outside_tables
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import sample_inputs
from benchpipe.store.manifest import Manifest, Step, key_of
from benchpipe.store.pauses import RunClock
from benchpipe.store.run_store import RunStore

VERSION = 14
STEP = "process"
KEPT = (
    "the plan, the rig file or the program has changed since the samples were dropped: its tables stay "
    "as they were; to rebuild them: benchpipe ingest RUN --again, then benchpipe nightly"
)


def rig_settings(rig: RigConfig) -> dict[str, Any]:
    """What of a rig file decides what is made of the samples."""
    said = {"name", "range", "resolution", "delay", "drift_per_day"}
    channels = [c.model_dump(mode="json", include=said) for c in rig.channel]
    chosen = rig.model_dump(mode="json", include={"load", "motion", "temperature", "counter", "mode", "time"})
    for section in ("load", "motion", "time"):  # how sure they are changes verdicts, and no figure
        chosen[section] = {k: v for k, v in chosen[section].items() if not k.endswith("uncertainty")}
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
    # these are of the verdict: the tables are the same, and a closed run may still be judged by its counter
    judged = {"planned_by", "drafted"}
    blocks = {
        b.name: key_of({**settings, "block": b.model_dump(mode="json", exclude=judged)}) for b in run.plan.block
    }
    clock = RunClock.of(manifest, run.plan.restart_pause)
    pauses = [[one.at_us, one.pause_us] for one in clock.restarts]
    for block in run.plan.block if pauses else ():
        if kind_of(block.kind).after_pauses:
            blocks[block.name] = key_of([blocks[block.name], pauses])
    inputs = {b.name: sample_inputs(manifest, b.files) for b in run.plan.block}
    rejected = {b.name: rejected_rows(manifest, b.files) for b in run.plan.block}
    rejects = {name: identity_of(rejected[name], inputs[name]) for name in blocks}
    made_of = {name: [blocks[name], [i.identity for i in inputs[name]], rejects[name]] for name in blocks}
    key = key_of([made_of, pauses] if pauses else made_of)
    if before is not None and (before.key == key or manifest.closed):
        if manifest.closed:
            kept = manifest.with_remark(STEP, "closed", run.name, "" if before.key == key else KEPT)
            return manifest if kept == manifest else store.commit(kept)
        return manifest
    found = Found()
    spans: dict[str, Span | None] = {}
    for block in run.plan.block:
        known = before.state.get(block.name) if before else None
        name = block.name
        task = BlockTask(run.rig, store, block, inputs[name], blocks[name], {}, {}, tuple(rejected[name]), clock)
        one = _process_block(task, known, before)
        found.parts += one.parts
        found.remarks += [r for r in one.remarks if r.code not in CODES]
        found.state[block.name] = one.state
        spans[block.name] = block_span(store, block, one.parts)
    found.remarks += order_remarks(run.plan.block, spans, clock)
    step = Step(key=key, version=VERSION, parts=tuple(found.parts), remarks=tuple(found.remarks), state=found.state)
    return store.commit(manifest.model_copy(update={"steps": {**manifest.steps, STEP: step}}))


def _process_block(task: BlockTask[Block], known: dict[str, Any] | None, before: Step | None) -> Found:
    """Make the tables of a block, or keep them; the task's key is that of its settings."""
    block, key = task.block, task.key
    now = {"key": key, "inputs": [i.identity for i in task.inputs], **identity_of(task.rejected, task.inputs)}
    old = {part.path: part for part in before.parts} if before else {}
    if known is not None and all(known.get(name) == value for name, value in now.items()):
        remarks = [r for r in (before.remarks if before else ()) if r.where == block.name]
        return Found([old[path] for path in known["parts"]], remarks, known)
    past = _resumable(known, now)
    found = kind_of(block.kind).measure(replace(task, key=key_of([*now.values()]), past=past, old=old))
    if block.kind != "idle":
        found.state["outside"] = outside_tables(task, past)
        found.remarks += outside_remarks(block.name, task.rig, found.state["outside"])
    found.state |= {**now, "parts": [p.path for p in found.parts]}
    return found


def _resumable(known: dict[str, Any] | None, now: dict[str, Any]) -> dict[str, Any]:
    """What is known of a block, if its old inputs are the beginning of the new ones, and their rejects too."""
    if known is None or known["key"] != now["key"] or known.get("anchor") is None:
        return {}
    longer = known["inputs"] == now["inputs"][: len(known["inputs"])]
    return known if longer and only_added(known, now) else {}
