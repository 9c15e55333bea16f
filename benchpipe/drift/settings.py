"""What plan and limits say of a block whose drift is watched."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import nan
from typing import Any

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.config.limits import LimitConfig
from benchpipe.drift.measures import CYCLIC, PEAKS
from benchpipe.drift.watched import DAY_US, Coefficient, DriftBlock, DriftLimit, LogEntry
from benchpipe.run import RunConfig
from benchpipe.store.manifest import key_of
from benchpipe.store.run_notes import RunNote

LEVELS = ("median", "mean", "last")
FORECAST = {w.name: w for w in CYCLIC if w.name != "closure_error"}
UNPLANNED = 1_000_000
"""Cycles of a test whose plan does not say how many: bins and thresholds are those of such a test."""


def drift_block(block: CyclicBlock, run: RunConfig) -> DriftBlock:
    """The block as the analysis of drift sees it. Without a planned end nothing is forecast."""
    planned = block.planned_cycles
    return DriftBlock(
        block.name, planned or UNPLANNED, block.frequency, PEAKS if block.boundary == "row" else CYCLIC,
        _limits(block, run) if planned else (),
        {one.measure: Coefficient(one.per_kelvin, one.uncertainty / 2.0) for one in block.temperature},
        _baseline(block, planned or UNPLANNED),
        _planned(block, run),
    )  # fmt: skip


def _planned(block: CyclicBlock, run: RunConfig) -> tuple[LogEntry, ...]:
    """Work that the plan foresees in the block, in order of cycles."""
    own = sorted((one for one in run.plan.planned if one.block == block.name), key=lambda one: (one.cycle, one.kind))
    return tuple(LogEntry(one.kind, 0, one.text, expected=True, cycle=one.cycle) for one in own)


def _baseline(block: CyclicBlock, planned: int) -> tuple[int, int] | None:
    """The plan's, where it is long enough to average the daily swing, or a tenth of a short test; else none."""
    if block.baseline is None:
        return None
    first, last = block.baseline
    long = (last - first + 1) / block.frequency
    return (first, last) if long >= min(DAY_US / 1e6, 0.1 * planned / block.frequency) else None


def _limits(block: CyclicBlock, run: RunConfig) -> tuple[DriftLimit, ...]:
    """Limits that wear may cross, each once."""
    return tuple(dict.fromkeys(
        found
        for limits in run.limits
        for one in limits.config.limit
        if one.block in (block.name, block.kind)
        for found in drift_limits(one)
    ))  # fmt: skip


def drift_limits(limit: LimitConfig) -> Iterator[DriftLimit]:
    """What of a limit can be forecast.

    A change since the baseline of measures whose changes are relative to their own level; median, mean and last value
    of all but what is judged by its size. A largest or smallest cycle is none: the level says nothing of a single one.
    """
    if limit.measure not in FORECAST or limit.cycles is not None:
        return
    if limit.statistic == "change" and FORECAST[limit.measure].relative:
        yield from (DriftLimit(limit.measure, end) for end in (limit.low, limit.high) if end)
    elif limit.statistic in LEVELS:
        for end, upper in ((limit.low, False), (limit.high, True)):
            if end is not None:
                yield DriftLimit(limit.measure, nan, end, limit.ends[0].unit, upper)


def key_of_block(block: DriftBlock, version: int, calibrations: list[Any]) -> str:
    """Hash of what decides bins and events; limits decide forecasts alone."""
    coefficients = {name: [c.per_k, c.u] for name, c in (block.coefficients or {}).items()}
    baseline = list(block.baseline) if block.baseline else None
    names = [w.name for w in block.watched]
    planned = [[[one.kind, one.cycle] for one in block.planned]] if block.planned else []
    return key_of([
        version, block.planned_cycles, block.frequency_hz, names, coefficients, baseline, block.false_alarms,
        calibrations, *planned,
    ])  # fmt: skip


def key_of_notes(notes: Sequence[RunNote], until_us: int) -> str:
    """Hash of the notes on what was done before a time; empty without any. Their texts decide nothing."""
    own = sorted((note.at_us, note.kind) for note in notes if note.at_us < until_us)
    return key_of(own) if own else ""
