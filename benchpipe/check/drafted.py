"""Limits that depend on keys whose values were drafted from a log."""

from __future__ import annotations

from benchpipe.blocks.measures import Measure
from benchpipe.config.limits import LimitConfig
from benchpipe.plan import Block

CHOOSING = ("mode", "files")  # keys that choose rows


def drafted_keys(limit: LimitConfig, measure: Measure, block: Block) -> tuple[str, ...]:
    """Keys in ``drafted`` of the block that the limit hangs on, in the plan's order.

    A figure of a hold or a proof is that of a load: of which one, the protocol says. What is counted off between cycles
    (a change) begins at the baseline. Peaks, ranges and energies are what they are, whatever the plan asks for.
    """
    return tuple(key for key in block.drafted if _hangs_on(limit, measure, key))


def _hangs_on(limit: LimitConfig, measure: Measure, key: str) -> bool:
    if key == "baseline":
        return limit.statistic == "change"
    return key not in CHOOSING if measure.hangs_on is None else key in measure.hangs_on
