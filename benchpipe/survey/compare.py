"""Find contradictions between a plan, its limits and its logs before a night runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.blocks.sweep.plan import SweepBlock
from benchpipe.plan import Block
from benchpipe.run import RunConfig
from benchpipe.samples.signals import signal_units
from benchpipe.samples.stream import matches
from benchpipe.survey.activity import AxisCycles, LoopAxis, WholeRanges, cycles_of, spans_of
from benchpipe.survey.held import holds_of
from benchpipe.survey.stretches import Stretch, Surveyed

OTHER_RATE = 0.2  # of the plan's frequency
FEWEST = 10  # cycles
FEWEST_ROWS = 50  # a few rows at a change of mode are no block of their own
MOST_NAMED = 3


@dataclass(frozen=True)
class PlanDifference:
    """What does not fit, and what to do about it."""

    text: str
    do_next: str


def plan_against_limits(run: RunConfig) -> Iterator[PlanDifference]:
    """Planned cycles of the plan and those that a limit asks for."""
    for limits in run.limits:
        for limit in limits.config.limit:
            if limit.measure != "cycles_done" or limit.operator != ">=":
                continue
            asked = round(limit.ends[0].value)
            for block in run.plan.blocks_of(CyclicBlock):
                if limit.block in (block.name, block.kind):
                    yield from _planned(block, limit.name, asked)


def _planned(block: CyclicBlock, limit: str, asked: int) -> Iterator[PlanDifference]:
    if block.planned_cycles is None:
        yield PlanDifference(
            f"block '{block.name}' states no planned_cycles, and the limit '{limit}' asks for {asked:,}",
            f"add planned_cycles = {asked:_} to the block, or the number that the protocol asks for to both",
        )
    elif block.planned_cycles != asked:
        yield PlanDifference(
            f"block '{block.name}' plans {block.planned_cycles:,} cycles, the limit '{limit}' asks for {asked:,}",
            "correct planned_cycles of the plan, or the limit's value",
        )


def plan_against_logs(run: RunConfig, surveyed: Surveyed) -> Iterator[PlanDifference]:
    """Targets, frequencies, held loads and ranges that the logs do not show, and rows that no block takes."""
    spans, units = spans_of(surveyed.stretches), signal_units(run.rig)
    for block in run.plan.block:
        own = [s for s in surveyed.stretches if _takes(block, s.file, s.mode)]
        if not own:
            continue
        if block.kind in COMPARED:
            yield from COMPARED[block.kind](block, own, spans, units)
    yield from _not_taken(run, surveyed)


def _takes(block: Block, file: str, mode: int | None) -> bool:
    return matches(file, block.files) and (block.mode is None or block.mode == mode)


def _cycles(
    block: CyclicBlock, own: list[Stretch], spans: WholeRanges, units: dict[str, str]
) -> Iterator[PlanDifference]:
    if block.boundary != "crossing":  # the log's rows are the cycles
        return
    axis = block.trigger
    found = [c for s in own for c in cycles_of(s, axis, spans, [hold.samples for hold in holds_of(s, spans)])]
    if sum(map(len, found)) < FEWEST:
        return
    low, high = (float(np.median(np.concatenate(x))) for x in zip(*(_ends(c) for c in found), strict=True))
    if block.targets is not None:
        asked = [target.value for target in block.targets]
        span, unit = asked[1] - asked[0], units[axis]
        if max(abs(low - asked[0]), abs(high - asked[1])) > block.tolerance * span:
            yield PlanDifference(
                f"block '{block.name}' asks for {asked[0]:g} to {asked[1]:g} {unit}, the logs show cycles from "
                f"{low:.4g} to {high:.4g} {unit}",
                f"compare {axis}_min and {axis}_max with the protocol, or look at the rig",
            )
    rate = 1.0 / float(np.median(np.concatenate([c.period_s for c in found])))
    if abs(rate / block.frequency - 1.0) > OTHER_RATE:
        yield PlanDifference(
            f"block '{block.name}' asks for {block.frequency:g} Hz, the logs show {rate:.3g} Hz",
            "correct frequency: it separates cycles from stops",
        )


def _ends(cycles: AxisCycles) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return (cycles.load_min, cycles.load_max) if cycles.axis == "load" else (cycles.motion_min, cycles.motion_max)


def _load_held(
    block: HoldBlock | ProofBlock, own: list[Stretch], spans: WholeRanges, units: dict[str, str]
) -> Iterator[PlanDifference]:
    yield from _held(block, "load", block.load.value, own, spans, units["load"])


def _motion_held(
    block: RelaxationBlock, own: list[Stretch], spans: WholeRanges, units: dict[str, str]
) -> Iterator[PlanDifference]:
    yield from _held(block, "motion", block.motion.value, own, spans, units["motion"])


def _held(
    block: HoldBlock | ProofBlock | RelaxationBlock, axis: LoopAxis, asked: float, own: list[Stretch],
    spans: WholeRanges, unit: str,
) -> Iterator[PlanDifference]:  # fmt: skip
    band = block.tolerance * abs(asked)
    held = [hold.level for s in own for hold in holds_of(s, spans) if hold.axis == axis]
    if not held or any(abs(level - asked) <= band for level in held):
        return
    levels = ", ".join(dict.fromkeys(f"{level:.4g}" for level in sorted(held)[:MOST_NAMED]))
    yield PlanDifference(
        f"block '{block.name}' asks for a {axis} of {asked:g} {unit}, the logs show {axis}s held at {levels} {unit}",
        f"compare {axis} with the protocol, or look at the rig",
    )


def _sweeps(
    block: SweepBlock, own: list[Stretch], spans: WholeRanges, units: dict[str, str]
) -> Iterator[PlanDifference]:
    unit = units["motion"]
    lowest = min(float(s.signals.motion.min()) for s in own)
    highest = max(float(s.signals.motion.max()) for s in own)
    if lowest >= block.low.value or highest <= block.high.value:
        yield PlanDifference(
            f"block '{block.name}' counts sweeps through {block.low.value:g} and {block.high.value:g} {unit}, the logs "
            f"show motion from {lowest:.4g} to {highest:.4g} {unit}",
            "correct low and high of the block",
        )


COMPARED: dict[str, Callable[[Any, list[Stretch], WholeRanges, dict[str, str]], Iterator[PlanDifference]]] = {
    "cyclic": _cycles,
    "hold": _load_held,
    "proof": _load_held,
    "relaxation": _motion_held,
    "sweep": _sweeps,
}
"""Kind of block → what of its section its logs must show."""


def _not_taken(run: RunConfig, surveyed: Surveyed) -> Iterator[PlanDifference]:
    """Rows of the logs looked at that no block takes, by mode."""
    left: dict[int | None, dict[str, int]] = defaultdict(dict)
    for (file, mode), rows in surveyed.rows.items():
        if not any(_takes(block, file, mode) for block in run.plan.block):
            left[mode][file] = rows
    for mode, files in left.items():
        rows = sum(files.values())
        if rows < FEWEST_ROWS:
            continue
        more = f" and {len(files) - MOST_NAMED} more" if len(files) > MOST_NAMED else ""
        names = ", ".join(list(files)[:MOST_NAMED]) + more
        of = f" with mode {mode}" if mode is not None else ""
        yield PlanDifference(
            f"{rows:,} row(s){of} are taken by no block: {names}",
            'correct files and mode of the blocks, or add a block of the kind "idle" for them',
        )
