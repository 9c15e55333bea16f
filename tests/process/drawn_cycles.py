"""Tables of cycles as a long test may leave them: stops, holes, counters with faults, stuck channels (invented)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.blocks.cyclic.tables import CYCLES, CycleFlag
from benchpipe.columns import schema_of

SECOND = 1_000_000


def drawn_cycles(seed: int, most: int = 400) -> pa.Table:
    """Up to so many rows of 50 samples at 1 Hz, the load from 5 to 80, the motion from -3 to 12."""
    rng = np.random.default_rng(seed)
    n = int(rng.choice([rng.integers(0, 4), rng.integers(4, 60), rng.integers(60, most)]))
    border = rng.random(n) < rng.choice([0.0, 0.01, 0.1, 0.5])
    complete = ~np.roll(border, -1) & (rng.random(n) >= rng.choice([0.0, 0.05]))
    pause = np.where(border, rng.choice([1, 5, 40, 4000], n), 0) * SECOND
    start = np.cumsum(SECOND + rng.integers(-2000, 2000, n) * rng.integers(0, 2) + pause)
    uncrossed = np.where(rng.random(n) < rng.choice([0.0, 0.05]), rng.integers(1, 8, n), 0)
    period = rng.choice([1.0, 1.0, 0.5, 0.6668, 1.4999, 2.0]) * (1 + 1e-3 * rng.random(n))
    stiffness = rng.choice([5.0, -5.0]) + rng.standard_normal(n) * rng.choice([1, 5])
    columns: dict[str, Any] = {
        "start_us": start, "segment": 1 + np.cumsum(border), "complete": complete, "uncrossed": uncrossed,
        "flags": _flags(rng, n, complete, uncrossed), "counter": _counter(rng, complete, border, uncrossed),
        "samples": np.where(rng.random(n) < 0.02, rng.integers(1, 4000, n), 50 + rng.integers(-2, 3, n)),
        "period_s": _with_nulls(rng, period, ~complete), "secant_stiffness": _with_nulls(rng, stiffness, ~complete),
    }  # fmt: skip
    for name, low, high, ends in (
        ("load", 5.0, 80.0, ("valley_load", "peak_load")),
        ("motion", -3.0, 12.0, ("motion_min", "motion_max")),
    ):
        columns |= _channel(rng, n, name, (low, high), ends, border)
    types = schema_of(CYCLES)
    return pa.table({name: pa.array(values, types.field(name).type) for name, values in columns.items()})


def _with_nulls(rng: np.random.Generator, values: np.ndarray, where: np.ndarray) -> pa.Array:
    return pa.array(values, mask=where | (rng.random(values.size) < rng.choice([0.0, 0.1])))


def _flags(rng: np.random.Generator, n: int, complete: np.ndarray, uncrossed: np.ndarray) -> np.ndarray:
    """Open rows, and any flag on some of the others."""
    flags = np.where(complete, 0, int(CycleFlag.OPEN))
    for flag in rng.choice(list(map(int, CycleFlag)), rng.integers(0, 4)):
        flags |= np.where(rng.random(n) < rng.choice([0.01, 0.5]), int(flag), 0)
    return flags | np.where(uncrossed > 0, int(CycleFlag.UNCROSSED), 0)


def _counter(rng: np.random.Generator, complete: np.ndarray, border: np.ndarray, uncrossed: np.ndarray) -> pa.Array:
    """A counter of some rate: it ticks where nothing is found or logged, jumps, begins again, comes round, is lost."""
    n = complete.size
    unseen = rng.integers(0, 2) * uncrossed + rng.integers(0, 2) * border * rng.integers(0, 40, n)
    cycles = np.cumsum(np.roll(complete, 1) + unseen)
    counter = rng.integers(0, 300) + np.floor(cycles * rng.choice([1.0, 1.0, 1.0, 0.5, 2.0, 1 / 3, 0.95, 0.7]))
    for _ in range(rng.choice([0, 0, 1, 3])):
        at = rng.integers(0, n + 1)
        counter[at:] += rng.choice([-50, -1, 1, 2, 40, 500])
    if rng.random() < 0.3 and n:
        at = rng.integers(0, n)
        counter[at:] -= counter[at]
    if rng.random() < 0.2:
        counter = (counter + 9_900) % 10_000
    if rng.random() < 0.1:
        counter = counter * 0.3
    holes = rng.random(n) < rng.choice([0.0, 0.0, 0.1, 0.95, 1.0])
    return pa.array(counter.astype(float), mask=holes)


def _channel(
    rng: np.random.Generator, n: int, name: str, usual: tuple[float, float], ends: tuple[str, str], border: np.ndarray
) -> dict[str, Any]:
    """Extremes that scatter and drift, are tared again at some stops or clipped; and repeats with some stuck runs."""
    shift = np.cumsum(border * rng.choice([0.0, 0.0, 0.4, -9.0], n)) + rng.choice([0.0, 0.01]) * np.arange(n)
    scatter = rng.choice([0.0, 0.02, 1.0])
    low, high = (end + shift + scatter * rng.standard_normal(n) for end in usual)
    repeats = rng.poisson(rng.choice([0.2, 3.0, 15.0]), n)
    repeats[rng.random(n) < rng.choice([0.0, 0.01, 0.3])] = rng.integers(6, 60)
    if rng.random() < 0.3:
        high = np.where(rng.random(n) < 0.9, usual[1], high)
    return {
        ends[0]: low.astype(np.float32), ends[1]: high.astype(np.float32),
        f"{name}_repeats": pa.array(repeats, pa.int32(), mask=np.full(n, rng.random() < 0.05)),
    }  # fmt: skip
