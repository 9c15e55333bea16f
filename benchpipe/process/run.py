"""A run's samples → cycles, loops, holds, sweeps and trends, only what is new."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, NamedTuple

from pydantic import Field

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.registry import KINDS, kind_of
from benchpipe.blocks.rejected import Rejected, identity_of, only_added, rejected_rows
from benchpipe.blocks.state import MADE_OF, BlockState, RejectState
from benchpipe.config.rig import RigConfig
from benchpipe.plan import Block
from benchpipe.process.order import CODES, Span, block_span, order_remarks
from benchpipe.process.outside_table import outside_remarks, outside_tables
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import SampleInput, sample_inputs
from benchpipe.steps import Night, Past, StepKind, StepResult, StepTask
from benchpipe.store.manifest import Manifest, Part, Remark, Step, key_of
from benchpipe.store.pauses import RunClock
from benchpipe.store.state import State, Stored, Unfit, fit

VERSION = 19
STEP = "process"
KEPT = (
    "the plan, the rig file or the program has changed since the samples were dropped: its tables stay "
    "as they were; to rebuild them: benchpipe ingest RUN --again, then benchpipe nightly LAB"
)


class ProcessState(State):
    """What is kept of each block, by its name, of the model that its kind declares."""

    blocks: dict[str, BlockState] = Field(default_factory=dict)

    @property
    def stored(self) -> Stored:
        """The state as JSON: blocks by name."""
        return {name: state.stored for name, state in self.blocks.items()}


class _BlockWork(NamedTuple):
    """A block, the key of its settings, and what is read for it."""

    block: Block
    key: str
    inputs: list[SampleInput]
    rejected: tuple[Rejected, ...]
    rejects: RejectState


def rig_settings(rig: RigConfig) -> dict[str, Any]:
    """What of a rig file decides what is made of the samples."""
    said = {"name", "range", "resolution", "delay", "drift_per_day"}
    channels = [c.model_dump(mode="json", include=said) for c in rig.channel]
    chosen = rig.model_dump(mode="json", include={"load", "motion", "temperature", "counter", "mode", "time"})
    for section in ("load", "motion", "time"):  # how sure they are changes verdicts, and no figure
        chosen[section] = {k: v for k, v in chosen[section].items() if not k.endswith("uncertainty")}
    return {"version": VERSION, "channels": channels, **chosen}


def _pauses(run: RunConfig, clock: RunClock) -> list[list[int | None]]:
    return [[one.at_us, one.pause_us] for one in clock.restarts]


def _works(run: RunConfig, manifest: Manifest, clock: RunClock) -> Iterator[_BlockWork]:
    """What is to be made of each block, and of what."""
    settings, pauses = rig_settings(run.rig), _pauses(run, clock)
    # these are of the verdict: the tables are the same, and a closed run may still be judged by its counter
    judged = {"planned_by", "drafted"}
    for block in run.plan.block:
        key = key_of({**settings, "block": block.model_dump(mode="json", exclude=judged)})
        if pauses and kind_of(block.kind).after_pauses:
            key = key_of([key, pauses])
        inputs, rejected = sample_inputs(manifest, block.files), tuple(rejected_rows(manifest, block.files))
        yield _BlockWork(block, key, inputs, rejected, identity_of(rejected, inputs))


def _settings(night: Night) -> Any:
    """By block: its key, and the identity of the samples and rejects it is made of; the pauses of the log's clock."""
    clock = RunClock.of(night.manifest, night.run.plan.restart_pause)
    made_of = {
        one.block.name: [one.key, [i.identity for i in one.inputs], one.rejects.stored]
        for one in _works(night.run, night.manifest, clock)
    }
    pauses = _pauses(night.run, clock)
    return [made_of, pauses] if pauses else made_of


def _past(before: Step, run: RunConfig) -> Past[ProcessState]:
    """What is kept of each block of the plan; of those that do not fit, why."""
    paths = {part.path for part in before.parts}
    known, unfit = dict[str, BlockState](), dict[str, str]()
    for block in run.plan.block:
        if block.name not in before.state:
            continue
        state = fit(kind_of(block.kind).state(), before.state[block.name])
        why = state.why if isinstance(state, Unfit) else _lacks(state, paths)
        if isinstance(state, Unfit) or why:
            unfit[block.name] = why
        else:
            known[block.name] = state
    return Past(ProcessState(blocks=known), unfit)


def _lacks(state: BlockState, paths: set[str]) -> str:
    """What a state lacks without which nothing can be taken over; empty where nothing does."""
    missing = sorted(MADE_OF - state.model_fields_set)
    if missing:
        return f"no {' and '.join(missing)}"
    lost = sorted(state.named - paths)
    return f"{lost[0]} is no part of the step" if lost else ""


def process_run(task: StepTask[ProcessState]) -> StepResult[ProcessState]:
    """Make the tables of every block whose samples or settings changed.

    Raises
    ------
    StoreError
        Samples in the store are damaged.
    """
    run, store, past = task.run, task.store, task.past or ProcessState()
    clock = RunClock.of(task.manifest, run.plan.restart_pause)
    old = {part.path: part for part in task.before.parts} if task.before is not None else {}
    said = task.before.remarks if task.before is not None else ()
    parts: list[Part] = []
    remarks: list[Remark] = []
    states: dict[str, BlockState] = {}
    spans: dict[str, Span | None] = {}
    for work in _works(run, task.manifest, clock):
        name = work.block.name
        made = BlockTask[Block, BlockState](
            run.rig, store, work.block, work.inputs, work.key, None, old, work.rejected, clock
        )
        one = _process_block(made, work.rejects, past.blocks.get(name), [r for r in said if r.where == name])
        parts += one.parts
        remarks += [r for r in one.remarks if r.code not in CODES]
        states[name] = one.state
        spans[name] = one.state.span or block_span(store, work.block, one.parts)
    remarks += order_remarks(run.plan.block, spans, clock)
    return StepResult(ProcessState(blocks=states), tuple(parts), tuple(remarks))


def _process_block(
    task: BlockTask[Block, BlockState], rejects: RejectState, known: BlockState | None, said: list[Remark]
) -> Found:
    """Make the tables of a block, or keep them; the task's key is that of its settings."""
    block = task.block
    now = BlockState(**dict(rejects), key=task.key, inputs=tuple(i.identity for i in task.inputs))
    if known is not None and _made_of(known) == _made_of(now):
        return Found([task.old[path] for path in known.parts], said, known)
    past = known if known is not None and _goes_on(known, now) else None
    key = key_of([now.key, [*now.inputs], *rejects.stored.values()])
    kind = kind_of(block.kind)
    found = kind.measure(replace(task, key=key, past=past))
    update: dict[str, Any] = {**dict(rejects), "key": now.key, "inputs": now.inputs}
    if kind.tables:  # else nothing is measured that samples outside could be missing from
        outside = outside_tables(task, past)
        found.remarks += outside_remarks(block.name, task.rig, outside)
        update["outside"] = outside
    found.state = found.state.model_copy(update={**update, "parts": tuple(p.path for p in found.parts)})
    return found


def _made_of(state: BlockState) -> tuple[object, ...]:
    return state.key, state.inputs, state.logs, state.rejects, state.tails, state.empty


def _goes_on(known: BlockState, now: BlockState) -> bool:
    """Whether the old inputs of a block are the beginning of the new ones, and their rejects too."""
    longer = known.inputs == now.inputs[: len(known.inputs)]
    return known.resumes and known.key == now.key and longer and only_added(known, now)


def _kept(night: Night, key: str) -> Manifest:
    """The manifest of a run whose samples were dropped: its tables stay, and are said to be of older settings."""
    same = night.manifest.steps[STEP].key == key
    return night.manifest.with_remark(STEP, "closed", night.run.name, "" if same else KEPT)


PROCESS = StepKind(
    name=STEP,
    version=VERSION,
    parents=("ingest",),
    tables=tuple(name for kind in KINDS for name in kind.tables),
    state=ProcessState,
    settings=_settings,
    run=process_run,
    unit="block",
    past=_past,
    kept=_kept,
    undone=("run '{run}' is not processed yet", "benchpipe process RUN"),
)
