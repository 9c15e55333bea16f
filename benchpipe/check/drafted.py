"""Limits that depend on keys whose values were drafted from a log."""

from __future__ import annotations

from benchpipe.blocks.measures import Measure
from benchpipe.config.limits import LimitConfig
from benchpipe.plan import Block

TARGETS = ("load_min", "load_max", "motion_min", "motion_max", "tolerance")
RESISTANCE = ("free_resistance", "asymmetry", "coulomb", "laminar", "orifice", "breakaway")
STOPS = ("range_of_motion", "lower_stop", "upper_stop")


def drafted_keys(limit: LimitConfig, measure: Measure, block: Block) -> tuple[str, ...]:
    """Keys in ``drafted`` of the block that the limit hangs on, in the plan's order.

    A figure of a hold or a proof is that of a load: of which one, the protocol says. What is counted off between cycles
    (a change) begins at the baseline. Peaks, ranges and energies are what they are, whatever the plan asks for.
    """
    return tuple(key for key in block.drafted if _hangs_on(limit, measure, block, key))


def _hangs_on(limit: LimitConfig, measure: Measure, block: Block, key: str) -> bool:
    if block.kind in ("hold", "proof", "stance", "locking"):
        return key not in ("mode", "files")
    if key == "baseline":
        return limit.statistic == "change"
    if key in TARGETS:
        return measure.name == "off_target"
    if key in ("resistance_between", "stops_beyond"):
        return measure.name in RESISTANCE or (key == "stops_beyond" and measure.name in STOPS)
    return key == "usable_load" and measure.name == "usable_range"
