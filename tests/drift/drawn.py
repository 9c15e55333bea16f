"""Small invented blocks: a cycle each 100 s, hourly bins, two weeks in 12,000 cycles."""

from __future__ import annotations

import numpy as np

from benchpipe.drift.measures import Watched
from benchpipe.drift.watched import Coefficient, CycleColumns, DriftBlock, DriftLimit

PERIOD_S = 100.0
CYCLES = 12_000
BEGIN_S = 1_750_060_800.0  # 08:00 of a day
DAY = 864
MEASURES = (Watched("secant_stiffness"), Watched("energy_j"), Watched("motion_mean", "secant_stiffness", zero=True))
NOISE = 0.002


def block_of(**changed: object) -> DriftBlock:
    """The block that is watched."""
    settings: dict[str, object] = {
        "name": "cycling", "planned_cycles": CYCLES, "frequency_hz": 1 / PERIOD_S, "watched": MEASURES,
        "limits": (DriftLimit("secant_stiffness", -0.1),),
    }  # fmt: skip
    return DriftBlock(**{**settings, **changed})  # type: ignore[arg-type]


def cycles_of(
    n: int = CYCLES,
    *,
    seed: int = 1,
    step_at: int | None = None,
    step: float = -0.03,
    moved: tuple[str, ...] = ("secant_stiffness",),
    swing_k: float = 4.0,
    coefficient: float = -0.005,
    gap: tuple[int, float] | None = None,
    temperature: bool = True,
) -> CycleColumns:
    """Cycles with a run-in of 2 %, a daily swing, and a step from cycle ``step_at`` on in some measures."""
    rng = np.random.default_rng(seed)
    number = np.arange(1, n + 1)
    start = BEGIN_S + PERIOD_S * (number - 1)
    if gap is not None:
        start[number > gap[0]] += gap[1]
    air = swing_k * np.sin(2 * np.pi * start / 86400 + 1) + 0.5 * np.sin(2 * np.pi * start / (5 * 86400))
    values = {}
    for watched in MEASURES:
        level = (1 + 0.02 * np.exp(-number / 300)) * (1 + coefficient * air)
        if step_at is not None and watched.name in moved:
            level = level + step * (number >= step_at)
        values[watched.name] = 50 * (level + NOISE * rng.standard_normal(n))
    logged = 23 + air + 0.02 * rng.standard_normal(n)
    return CycleColumns(
        number, (start * 1e6).astype(np.int64), np.full(n, PERIOD_S), values, logged if temperature else None
    )


STATED = {"secant_stiffness": Coefficient(-0.005, 0.0005)}
