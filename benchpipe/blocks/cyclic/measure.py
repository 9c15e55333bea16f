"""A cyclic block's samples → its cycles, loops and trends, from where the last night ended."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import pyarrow as pa

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
    count_cycles,
    counted_cycles,
    cycle_remarks,
    held_remarks,
    learnt_remark,
    not_learnt,
    sparse_remark,
)
from benchpipe.blocks.cyclic.repeats import REPEAT_COLUMNS, longest_runs, may_hold, usual_repeats
from benchpipe.blocks.cyclic.running import CycleSums, Longest
from benchpipe.blocks.cyclic.state import CyclicState, Digits, KeptLoops, Thresholds, UsualRepeats
from benchpipe.blocks.cyclic.sums import REMARK_COLUMNS, arrays_of, sums_then, with_rate
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

ROWS_AT_ONCE = 1 << 17


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
    sums, longest = _settled_sums(store, block, rig, past, settled, new)
    ends = [*known, *(sums.complete for _ in new)]
    done = SettledCycles(store, settled, ends)
    loops, numbers = _loops(rig, store, block, inputs, past, old, done, key)
    before = [old[path] for path in past.parts if old[path].table == "trends"]
    trends = cycle_trends(block, CycleValues(done.read), store.read_parts(before, "trends"), last)
    found = Found(parts + loops)
    found.parts += [store.write("trends", trends, key)] if trends.num_rows else []
    open_cycle = store.read_parts(tail, "cycles", REMARK_COLUMNS)
    whole = sums_then(sums, block, rig, open_cycle)

    def read(columns: list[str]) -> pa.Table:
        return store.read_parts(parts, "cycles", columns)

    counted = counted_cycles(block, rig, whole, task.clock.restarts_us, tables.counter, read)
    noise = _sample_noise(rig, store, block, inputs, past)
    repeats = usual_repeats(whole, rig, noise, digits, read)
    pieces = [*_may_hold(done, longest, repeats), (sums.complete, open_cycle)]
    found.remarks = [*cycle_remarks(block, rig, whole, counted, read), *held_remarks(block, pieces, repeats)]
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
        sums=sums,
        longest=tuple(longest),
    )
    return found


def _peaks(task: BlockTask[CyclicBlock, CyclicState]) -> Found:
    """Cycles and trends of a log that holds peaks and valleys only."""
    rig, store, block, key = task.rig, task.store, task.block, task.key
    parts, lost_at_end = write_peaks(task)
    cycles = store.read_parts(parts, "cycles", REMARK_COLUMNS)
    get = arrays_of(cycles)
    asked = rig.counter is not None and cycles.num_rows > 1
    counted = count_cycles(block, rig, get, task.clock.restarts_us) if asked else None
    remarks = cycle_remarks(block, rig, sums_then(CycleSums(), block, rig, cycles), counted, cycles.select)
    every = rows_every(get["start_us"], get["counter"], block.frequency)
    if every > 1:
        remarks.append(sparse_remark(block, every, counted=counted is not None))
    trends = cycle_trends(block, CycleValues(lambda columns, *_: store.read_parts(parts, "cycles", columns)))
    parts += [store.write("trends", trends, key)] if trends.num_rows else []
    state = CyclicState(
        counted=counted.state if counted is not None else None, lost_at_end=lost_at_end, rows_every=every
    )
    return Found(parts, remarks, state)


def _settled_sums(
    store: RunStore, block: CyclicBlock, rig: RigConfig, past: CyclicState, settled: list[Part], new: list[Part]
) -> tuple[CycleSums, list[Longest]]:
    """Sums over all settled parts, and the longest runs in each: of the new ones, those of the last time go on."""
    sums, longest = past.sums or CycleSums(), [*past.longest]
    for part in new:
        cycles = store.read_parts([part], "cycles", REMARK_COLUMNS)
        longest.append(longest_runs(cycles))
        for first in range(0, cycles.num_rows, ROWS_AT_ONCE):  # of a first night may be millions
            sums = sums_then(sums, block, rig, cycles.slice(first, ROWS_AT_ONCE))
    return with_rate(sums, block, rig, lambda columns: store.read_parts(settled, "cycles", columns)), longest


def _may_hold(
    cycles: SettledCycles, longest: list[Longest], usual: Mapping[str, UsualRepeats]
) -> Iterator[tuple[int, pa.Table]]:
    """Settled parts in which a cycle may hold one value, each with the complete cycles before it."""
    for part, before, one in zip(cycles.parts, [0, *cycles.ends][: len(cycles.ends)], longest, strict=True):
        if may_hold(one, usual):
            yield before, cycles.store.read_parts([part], "cycles", REPEAT_COLUMNS)


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
