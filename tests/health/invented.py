"""Invented facts of a rig that is well, to be spoilt one by one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.config.watching import HealthConfig
from benchpipe.health.facts import CycleTail, RunFacts

NOW = datetime(2031, 6, 1, 6, 0, tzinfo=UTC)
NOW_US = round(NOW.timestamp() * 1e6)
HOUR_US = 3_600_000_000
CONFIG = HealthConfig()


def block(**changes: Any) -> CyclicBlock:
    """A block of 1 Hz between 5 and 80 N*m."""
    plain = {"name": "durability", "kind": "cyclic", "load_min": "5 N*m", "load_max": "80 N*m", "frequency": 1.0}
    return CyclicBlock.model_validate(plain | changes)


def cycles(count: int = 2000, **columns: Any) -> CycleTail:
    """The last complete cycles of it, 100 samples each."""
    plain: dict[str, Any] = {
        "complete": True, "flags": 0, "period_s": 1.0, "samples": 100, "peak_load": 80.0, "valley_load": 5.0,
        "motion_min": 0.0, "motion_max": 3.6,
    }  # fmt: skip
    differ, counted = columns.pop("differ", 0.0), columns.pop("counted", count)
    values = {name: np.broadcast_to(np.asarray(value), (count,)) for name, value in (plain | columns).items()}
    return CycleTail(block(), 100.0, values, differ, counted)


def facts(**changes: Any) -> RunFacts:
    """Facts of a rig that is well."""
    well = RunFacts(
        now_us=NOW_US, today=date(2031, 6, 1), seen_us=NOW_US - 60_000_000, by_row=True, block="durability", over=False,
        standing_s=0.4, cycles=cycles(), channels=(), due=(("torque", date(2032, 1, 1)),),
    )  # fmt: skip
    return replace(well, **changes)
