"""Loops kept on purpose: first, baseline, last, both sides of each event, worst of each measure, first beyond a limit.

The loops that the process step keeps are spaced evenly in the logarithm of the cycles; these lie between them. All are
cut from samples while they are there. Which they are follows from the cycles of whole days alone, so that nights do
not matter.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.blocks.cyclic.final_cycles import cycle_places
from benchpipe.blocks.cyclic.loops import loops_table
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.drift.watched import CycleColumns, DriftBlock
from benchpipe.run import RunConfig
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.signals import signal_units
from benchpipe.steps import StepTask
from benchpipe.store.manifest import key_of
from benchpipe.store.state import State
from benchpipe.tables import schema

TABLE = "kept_loops"
MOST_EVENTS = 20
"""Events of a block whose sides are kept: more are a rig that is not well."""


class Reached(State):
    """What cycles of whole days reached.

    ``first``, ``last``: complete cycles. ``extremes``: measure, cycle and value of its smallest, and of its largest.
    ``beyond``: limit and the first cycle beyond it; ``limits``: hash of those limits.
    """

    first: int = 0
    last: int = 0
    extremes: tuple[tuple[str, int, float, int, float], ...] = ()
    beyond: tuple[tuple[str, int], ...] = ()
    limits: str = ""


Bound = tuple[str, str, float | None, float | None, tuple[int, int] | None]


def cycle_bounds(run: RunConfig, block: CyclicBlock) -> list[Bound]:
    """Limits that no cycle of a block may break: name, measure, both ends, and the cycles they are for."""
    return [
        (one.name, one.measure, one.low, one.high, one.cycles)
        for limits in run.limits
        for one in limits.config.limit
        if one.block in (block.name, block.kind) and (one.statistic, one.operator) in (("max", "<="), ("min", ">="))
    ]


def key_of_bounds(bounds: Sequence[Bound]) -> str:
    """Hash of limits; empty without any."""
    return key_of([list(one) for one in bounds]) if bounds else ""


def reached_after(past: Reached, cycles: CycleColumns, bounds: Sequence[Bound]) -> Reached:
    """What some more cycles reached; of equal values the earlier cycle counts."""
    if not cycles.cycle.size:
        return past
    known = {name: rest for name, *rest in past.extremes}
    for name, values in cycles.values.items():
        good = np.flatnonzero(np.isfinite(values))
        if not good.size:
            continue
        low, high = good[np.argmin(values[good])], good[np.argmax(values[good])]
        new = [int(cycles.cycle[low]), float(values[low]), int(cycles.cycle[high]), float(values[high])]
        old = known.get(name, new)
        known[name] = [*(new[:2] if new[1] < old[1] else old[:2]), *(new[2:] if new[3] > old[3] else old[2:])]
    beyond = dict(past.beyond)
    for bound in bounds:
        if bound[0] not in beyond and (first := _first_beyond(cycles, bound)):
            beyond[bound[0]] = first
    return Reached(
        first=past.first or int(cycles.cycle[0]), last=int(cycles.cycle[-1]),
        extremes=tuple((name, *known[name]) for name in sorted(known)),  # type: ignore[misc]
        beyond=tuple(sorted(beyond.items())), limits=key_of_bounds(bounds),
    )  # fmt: skip


def _first_beyond(cycles: CycleColumns, bound: Bound) -> int:
    """First cycle beyond a limit; 0 for none."""
    _, measure, low, high, window = bound
    if measure not in cycles.values:
        return 0
    values = cycles.values[measure]
    with np.errstate(invalid="ignore"):
        broken = (values < (-np.inf if low is None else low)) | (values > (np.inf if high is None else high))
    if window is not None:
        broken &= (cycles.cycle >= window[0]) & (cycles.cycle <= window[1])
    return int(cycles.cycle[np.argmax(broken)]) if broken.any() else 0


def wanted_loops(
    reached: Reached, baseline: tuple[int, int] | None, events: Sequence[Mapping[str, Any]]
) -> dict[int, str]:  # fmt: skip
    """Cycles whose loops are kept, and why, in order."""
    found: dict[int, list[str]] = {}
    for cycle, why in _reasons(reached, baseline, events):
        if reached.first <= cycle <= reached.last and why not in found.setdefault(cycle, []):
            found[cycle].append(why)
    return {cycle: "; ".join(found[cycle]) for cycle in sorted(found) if found[cycle]}


def _reasons(
    reached: Reached, baseline: tuple[int, int] | None, events: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[int, str]]:  # fmt: skip
    yield reached.first, "first"
    if baseline is not None:
        yield baseline[0], "first of the baseline"
        yield baseline[1], "last of the baseline"
    numbered: dict[int, Mapping[str, Any]] = {}
    for row in events:
        if row["event"] and (row["alarm"] or row["event"] not in numbered):
            numbered[row["event"]] = row
    for number in sorted(numbered)[:MOST_EVENTS]:
        row = numbered[number]
        yield row["cycle_low"] - 1, f"before event {number}"
        yield row["cycle_high"] + 1, f"after event {number}"
    for name, low, _, high, _ in reached.extremes:
        yield low, f"smallest {name}"
        yield high, f"largest {name}"
    for name, cycle in reached.beyond:
        yield cycle, f"first beyond '{name}'"
    yield reached.last, "last"


def kept_loops(task: StepTask[Any], block: CyclicBlock, wanted: Mapping[int, str], old: pa.Table) -> pa.Table:
    """Rows of the table for some cycles of a block: those of the last night, and new ones from samples."""
    made = schema(TABLE, signal_units(task.run.rig))
    have = np.array(old.column("cycle"), np.int64)
    pieces = [old.filter(pa.array(np.isin(have, list(wanted)))).select(made.names).cast(made)]
    missing = sorted(set(wanted) - set(have.tolist()))
    if missing and not task.manifest.closed:
        number, start, period = cycle_places(task.store, task.manifest, block.name, missing)
        inputs = sample_inputs(task.manifest, block.files)
        cut = loops_table(task.store, inputs, task.run.rig, block, number, start, period)
        named = cut.append_column("why", pa.array([""] * cut.num_rows, pa.string()))
        pieces.append(named.select(made.names).cast(made))
    rows = pa.concat_tables(pieces)
    cycle = np.array(rows.column("cycle"), np.int64)
    rows = rows.set_column(made.get_field_index("why"), made.field("why"), [[wanted[c] for c in cycle.tolist()]])
    return rows.take(pa.array(np.lexsort((np.array(rows.column("time_us"), np.int64), cycle))))


def baseline_kept(block: DriftBlock, baselines: Sequence[tuple[str, int, int]]) -> tuple[int, int] | None:
    """The plan's baseline; else that of the first measure that has one."""
    if block.baseline is not None:
        return block.baseline
    order = [w.name for w in block.watched]
    found = sorted(baselines, key=lambda one: order.index(one[0]))
    return found[0][1:] if found else None
