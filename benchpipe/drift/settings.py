"""What plan and limits say of a block whose drift is watched."""

from __future__ import annotations

from typing import Any

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.drift.watched import CYCLIC, DAY_US, Coefficient, DriftBlock, DriftLimit
from benchpipe.run import RunConfig
from benchpipe.store.manifest import key_of

UNPLANNED = 1_000_000
"""Cycles of a test whose plan does not say how many: bins and thresholds are those of such a test."""


def drift_block(block: CyclicBlock, run: RunConfig) -> DriftBlock:
    """The block as the analysis of drift sees it. Without a planned end nothing is forecast."""
    planned = block.planned_cycles
    return DriftBlock(
        block.name, planned or UNPLANNED, block.frequency, CYCLIC,
        _limits(block, run) if planned else (),
        {one.measure: Coefficient(one.per_kelvin, one.uncertainty / 2.0) for one in block.temperature},
        _baseline(block, planned or UNPLANNED),
    )  # fmt: skip


def _baseline(block: CyclicBlock, planned: int) -> tuple[int, int] | None:
    """The plan's, where it is long enough to average the daily swing, or a tenth of a short test; else none."""
    if block.baseline is None:
        return None
    first, last = block.baseline
    long = (last - first + 1) / block.frequency
    return (first, last) if long >= min(DAY_US / 1e6, 0.1 * planned / block.frequency) else None


def _limits(block: CyclicBlock, run: RunConfig) -> tuple[DriftLimit, ...]:
    """Limits on a change since the baseline, of measures whose changes are relative to their own level."""
    relative = {w.name for w in CYCLIC if w.relative}
    found = dict[DriftLimit, None]()
    for limits in run.limits:
        for one in limits.config.limit:
            if one.statistic == "change" and one.measure in relative and one.block in (block.name, block.kind):
                ends = (one.low, one.high)
                found |= {DriftLimit(one.measure, end): None for end in ends if end}
    return tuple(found)


def key_of_block(block: DriftBlock, version: int, calibrations: list[Any]) -> str:
    """Hash of what decides bins and events; limits decide forecasts alone."""
    coefficients = {name: [c.per_k, c.u] for name, c in (block.coefficients or {}).items()}
    baseline = list(block.baseline) if block.baseline else None
    names = [w.name for w in block.watched]
    return key_of([
        version, block.planned_cycles, block.frequency_hz, names, coefficients, baseline, block.false_alarms,
        calibrations,
    ])  # fmt: skip
