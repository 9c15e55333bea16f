"""A cyclic block's samples → its cycles, loops and trends, from where the last night ended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.cyclic.counting import rows_every
from benchpipe.blocks.cyclic.cycle_tables import CycleTables
from benchpipe.blocks.cyclic.cycles import cycle_settings
from benchpipe.blocks.cyclic.digits import learn_digits
from benchpipe.blocks.cyclic.final_cycles import SettledCycles
from benchpipe.blocks.cyclic.loops import loop_numbers, loops_table
from benchpipe.blocks.cyclic.peaks import write_peaks
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.remarks import (
    REMARK_COLUMNS,
    counted_cycles,
    cycle_remarks,
    held_remarks,
    learnt_remark,
    not_learnt,
    sparse_remark,
)
from benchpipe.blocks.cyclic.repeats import usual_repeats
from benchpipe.blocks.cyclic.state import CyclicState, Digits, KeptLoops, Thresholds
from benchpipe.blocks.cyclic.thresholds import learn_thresholds
from benchpipe.blocks.cyclic.trends import CycleValues, cycle_trends
from benchpipe.blocks.sample_noise import SAMPLES, learn_sample_noise
from benchpipe.blocks.state import SampleNoise
from benchpipe.columns import floats
from benchpipe.config.rig import RigConfig
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.signals import block_signals
from benchpipe.store.manifest import Part
from benchpipe.store.parts import new_part
from benchpipe.store.run_store import RunStore
from benchpipe.stream.ordered import ordered_map


def cyclic_block(task: BlockTask[CyclicBlock, CyclicState]) -> Found:
    """Make the cycles, loops and trends of a block; cycles that nothing to come can change stay as they are."""
    rig, store, block, inputs, key = task.rig, task.store, task.block, task.inputs, task.key
    past, old = task.past, task.old
    if block.boundary == "row":
        return _peaks(task)
    learnt = learnt_thresholds(rig, store, block, inputs, past) if block.learns else None
    if block.learns and learnt is None:
        return Found(remarks=[not_learnt(block)])
    if learnt is not None and past is not None and past.thresholds != learnt:
        past = None  # cycles cut with other thresholds are cut again
    digits = learnt_digits(rig, store, block, inputs, past)
    if past is not None and past.digits is not None and past.digits != replace(digits, settled=past.digits.settled):
        past = None
    past = past or CyclicState()
    settings = cycle_settings(block, rig, learnt, inputs, digits)
    settled = [old[path] for path in past.settled]
    tables = CycleTables(rig, store, block, settings, inputs, past.anchor, task.rejected)
    new, tail = write_cycles(store, tables, key)
    anchor = tables.anchor
    settled += new
    parts = settled + tail
    known = past.ends or ()
    last = known[-1] if known else 0
    ends = [*known, *(max(last, _last_cycle(store, part)) for part in new)]
    done = SettledCycles(store, settled, ends)
    loops, numbers = _loops(rig, store, block, inputs, past, old, done, key)
    before = [old[path] for path in past.parts if old[path].table == "trends"]
    trends = cycle_trends(block, CycleValues(done.read), store.read_parts(before, "trends"), last)
    found = Found(parts + loops)
    found.parts += [store.write("trends", trends, key)] if trends.num_rows else []
    cycles = store.read_parts(parts, "cycles", REMARK_COLUMNS)
    counted = counted_cycles(block, rig, cycles, task.clock.restarts_us, tables.counter)
    noise = _sample_noise(rig, store, block, inputs, past)
    repeats = usual_repeats(cycles, rig, noise, digits)
    found.remarks = [*cycle_remarks(block, rig, cycles, counted), *held_remarks(block, cycles, repeats)]
    found.remarks += [learnt_remark(block, rig, learnt)] if learnt is not None else []
    found.state = CyclicState(
        anchor=anchor,
        settled=tuple(p.path for p in settled),
        ends=tuple(ends),
        loops=KeptLoops(tuple(numbers), tuple(p.path for p in loops)),
        thresholds=learnt,
        digits=digits,
        sample_noise=noise,
        repeats=repeats,
        counted=counted.state if counted is not None else None,
        lost_at_end=tables.lost_at_end,
    )
    return found


def _peaks(task: BlockTask[CyclicBlock, CyclicState]) -> Found:
    """Cycles and trends of a log that holds peaks and valleys only."""
    rig, store, block, key = task.rig, task.store, task.block, task.key
    parts, lost_at_end = write_peaks(task)
    cycles = store.read_parts(parts, "cycles", REMARK_COLUMNS)
    counted = counted_cycles(block, rig, cycles, task.clock.restarts_us)
    remarks = cycle_remarks(block, rig, cycles, counted)
    every = rows_every(cycles.column("start_us"), floats(cycles.column("counter")), block.frequency)
    if every > 1:
        remarks.append(sparse_remark(block, every, counted=counted is not None))
    trends = cycle_trends(block, CycleValues(lambda columns, *_: store.read_parts(parts, "cycles", columns)))
    parts += [store.write("trends", trends, key)] if trends.num_rows else []
    state = CyclicState(
        counted=counted.state if counted is not None else None, lost_at_end=lost_at_end, rows_every=every
    )
    return Found(parts, remarks, state)


def learnt_thresholds(
    rig: RigConfig, store: RunStore, block: CyclicBlock, inputs: list[SampleInput], past: CyclicState | None
) -> Thresholds | None:
    """Thresholds of a block that has none in the plan: those of the last time once they are settled."""
    known = past.thresholds if past is not None else None
    if known is not None and known.settled:
        return known
    per_cycle = rig.time.sample_rate / block.frequency
    pieces = block_signals(store, inputs, rig, block)
    return learn_thresholds(pieces, by_load=block.trigger == "load", per_cycle=per_cycle)


def _sample_noise(
    rig: RigConfig, store: RunStore, block: CyclicBlock, inputs: list[SampleInput], past: CyclicState | None
) -> SampleNoise:
    """Noise of single samples: that of the last time once it was learnt from enough of them."""
    known = past.sample_noise if past is not None else None
    if known is not None and known.samples >= SAMPLES:
        return known
    return learn_sample_noise(store, inputs, rig, block)


def learnt_digits(
    rig: RigConfig, store: RunStore, block: CyclicBlock, inputs: list[SampleInput], past: CyclicState | None
) -> Digits:
    """Steps of the last digits: those of the last time once they are settled."""
    known = past.digits if past is not None else None
    return known if known is not None and known.settled else learn_digits(store, inputs, rig, block)


def write_cycles(store: RunStore, tables: CycleTables, key: str) -> tuple[list[Part], list[Part]]:
    """Write all cycles from an anchor on.

    Returns
    -------
    settled : list of Part
        Cycles that nothing to come can change.
    tail : list of Part
        The cycle in which the log ends.
    """
    with new_part(store.folder, "cycles", tables.schema) as writer:
        for _ in ordered_map(writer.write, tables, workers=1):
            pass
        settled = [writer.finish(key)] if writer.rows else []
    rest = tables.open_cycle()
    return settled, [store.write("cycles", rest, key)] if rest.num_rows else []


def _loops(
    rig: RigConfig,
    store: RunStore,
    block: CyclicBlock,
    inputs: list[SampleInput],
    past: CyclicState,
    old: dict[str, Part],
    cycles: SettledCycles,
    key: str,
) -> tuple[list[Part], list[int]]:
    """Loops of cycles that are not kept yet."""
    have = past.loops
    parts = [old[path] for path in have.parts]
    wanted = [n for n in loop_numbers(cycles.last) if n not in have.cycles] if cycles.last else []
    if wanted:
        table = cycles.read(["cycle", "start_us", "period_s"], wanted[0], wanted[-1])
        number = floats(table.column("cycle"))
        at = np.flatnonzero(np.isin(number, wanted))
        start, period = np.array(table.column("start_us"))[at], floats(table.column("period_s"))[at]
        loops = loops_table(store, inputs, rig, block, number[at].astype(np.int64), start, period)
        parts.append(store.write("loops", loops, key))
    return parts, [*have.cycles, *wanted]


def _last_cycle(store: RunStore, part: Part) -> int:
    """Number of the last complete cycle in a part; 0 where there is none."""
    number = floats(store.read_parts([part], "cycles", ["cycle"]).column("cycle"))
    return int(np.nanmax(number)) if np.isfinite(number).any() else 0
