"""A store whose table of cycles was written directly: as many cycles as a test wants, with known spikes and a wear."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.tables import CYCLES
from benchpipe.blocks.cyclic.trends import CycleValues, cycle_trends
from benchpipe.columns import schema_of
from benchpipe.run import RunConfig, load_run
from benchpipe.samples.signals import signal_units
from benchpipe.store.run_store import RunStore

BLOCK = "durability"
SEED = 14
PART = 262_144  # rows of a part


def measured(n: int) -> dict[str, NDArray[np.float32]]:
    """Six measures of n cycles (invented): run-in, wear, noise of one cycle, rare spikes."""
    rng = np.random.default_rng(SEED)
    t = np.linspace(0.0, 1.0, n)
    wear = 1.0 + 0.03 * np.exp(-40.0 * t) - 0.05 * t
    warm = 22.0 + 2.0 * np.sin(40.0 * t)
    made = {
        "secant_stiffness": 140.0 * wear * (1.0 + 0.0015 * rng.standard_normal(n)),
        "energy_j": 1.1 / wear * (1.0 + 0.004 * rng.standard_normal(n)),
        "loss_factor": 0.13 / wear * (1.0 + 0.004 * rng.standard_normal(n)),
        "backlash": 0.05 + 0.02 * t + 0.002 * rng.standard_normal(n),
        "motion_range": 8.4 / wear * (1.0 + 0.0016 * rng.standard_normal(n)),
        "temperature_c": warm + 0.004 * rng.standard_normal(n),
    }
    spikes = rng.choice(n, max(1, n // 20_000), replace=False)
    for values in made.values():
        values[spikes] *= 0.93
    made["backlash"][rng.choice(n, max(1, n // 1000), replace=False)] = np.nan
    return {name: values.astype(np.float32) for name, values in made.items()}


def with_cycles(lab: Path, n: int) -> tuple[RunConfig, RunStore]:
    """The run ``wearing`` of a worked-through lab with n cycles in the place of its own; the lab is changed."""
    config = load_run(lab.parent / "wearing" / "plan.toml")
    store = config.open_store()
    manifest = store.manifest()
    schema, values = schema_of(CYCLES, signal_units(config.rig)), measured(n)
    number = np.arange(1, n + 1)
    given = {
        "block": pa.repeat(BLOCK, n), "cycle": pa.array(number), "complete": pa.repeat(True, n),
        "segment": pa.array((1 + number // max(n // 12, 1)).astype(np.int32)),
        "start_us": pa.array(number * 1_000_000), "period_s": pa.array(np.ones(n)),
        "flags": pa.array(np.zeros(n, np.uint16)),
        **{name: pa.array(one, from_pandas=True) for name, one in values.items()},
    }  # fmt: skip
    arrays = [
        given[f.name] if f.name in given else pa.nulls(n, f.type) if f.nullable else pa.array(np.zeros(n), f.type)
        for f in schema
    ]
    table = pa.Table.from_arrays(arrays, schema=schema)
    parts = [store.write("cycles", table.slice(k, PART), f"{k:016x}") for k in range(0, n, PART)]
    block = next(b for b in config.plan.block if isinstance(b, CyclicBlock))
    trends = cycle_trends(block, CycleValues(lambda columns, first, last: table.select(columns)))
    parts.append(store.write("trends", trends, "0123456789abcdef"))
    step = manifest.steps["process"]
    kept = [p for p in step.parts if p.table not in ("cycles", "trends")]
    names = [p.path for p in step.parts if p.table not in ("cycles", "trends")]
    own = [path for path in step.state[BLOCK]["parts"] if path in names]
    state = {**step.state, BLOCK: {**step.state[BLOCK], "parts": [*own, *(p.path for p in parts)]}}
    new = step.model_copy(update={"parts": (*kept, *parts), "state": state})
    store.commit(manifest.model_copy(update={"steps": {**manifest.steps, "process": new}}))
    return config, store
