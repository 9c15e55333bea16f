"""Runs of small simulated logs, driven by a rig file: what the tests of inspection compare."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchpipe.inspect.draft import draft_rig
from benchpipe.inspect.findings import Inspection
from benchpipe.inspect.run import inspect_logs
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.simulate import simulate
from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import SimulatedChannelConfig, SimulatedRigConfig
from benchpipe.simulate.scenario import ScenarioConfig
from benchpipe.simulate.specimen import SpecimenConfig, SpringConfig
from benchpipe.store.run_store import RunStore
from benchpipe.views.export import table_pieces
from benchpipe.views.table_files import write_table

PLAN = """
name = "run"
specimen = "S1 (invented)"
rig = "{rig}"
logs = ["logs/*"]
[[block]]
name = "main"
kind = "cyclic"
load_min = "{low} {unit}"
load_max = "{high} {unit}"
frequency = "1 Hz"
"""
TORQUE = {"low": 100, "high": 2400, "unit": "N*m"}


def channels(**units: str) -> tuple[SimulatedChannelConfig, ...]:
    """Time, load to thousands, motion, temperature, counter."""
    return (
        SimulatedChannelConfig(
            source="time", name=units.get("time_name", "Time"), unit=units.get("time", "s"), decimals=2
        ),
        SimulatedChannelConfig(source="load", name="Torque", unit=units.get("load", "N·m"), decimals=2, noise=0.4),
        SimulatedChannelConfig(source="motion", name="Angle", unit=units.get("motion", "deg"), decimals=3, noise=0.003),
        SimulatedChannelConfig(source="temperature", name="Oil", unit=units.get("oil", "°C"), decimals=2, noise=0.03),
        SimulatedChannelConfig(source="counter", name="Count", decimals=0),
    )


def simulated(folder: Path, *faults: Any, rig: dict[str, Any] | None = None, **log: Any) -> Path:
    """A folder with ``logs`` of 40 cycles from about 100 to 2400 N·m at 1 Hz, 50 samples each."""
    simulate(
        ScenarioConfig(
            name="small", seed=5, specimen=SpecimenConfig(name="S1", spring=SpringConfig(stiffness=200.0)),
            rig=SimulatedRigConfig(**{
                "name": "R1", "sample_rate_hz": 50.0, "channels": channels(), "start": datetime(2031, 3, 14, 8, 20),
                **(rig or {}),
            }),
            log=WrittenLogConfig(**log),
            block=(CyclicConfig(name="main", cycles=40, frequency_hz=1.0, valley=100.0, peak=2400.0),),
            fault=faults,
        ),
        folder,
    )  # fmt: skip
    return folder


def logs_of(folder: Path) -> list[Path]:
    """The logs of a simulated folder, in order."""
    return sorted((folder / "logs").iterdir())


def drafted(folder: Path, **options: Any) -> tuple[Inspection, str]:
    """Inspect the logs of a folder: what was found, and the draft."""
    found = inspect_logs(logs_of(folder), **options)
    return found, draft_rig(found, "drafted")


def driven(folder: Path, rig: str, name: str, plan: dict[str, Any] | None = None) -> dict[str, pa.Table]:
    """Samples, rejects and cycles of the logs of a folder, read by a rig file of that text."""
    (folder / f"{name}.toml").write_text(rig, encoding="utf-8")
    text = PLAN.format(rig=f"{name}.toml", **(plan or TORQUE))
    (folder / f"plan-{name}.toml").write_text(text, encoding="utf-8")
    run = load_run(folder / f"plan-{name}.toml", folder / f"store-{name}")
    outcome = work(run)
    store = RunStore(run.store, run.name)
    tables = {}
    for table in ("samples", "rejects", "cycles"):
        out = folder / f"{name}-{table}.parquet"
        write_table(table_pieces(run, store, outcome.manifest, table), "parquet", out)
        tables[table] = pq.read_table(out)
    return tables


COLUMNS = ("Torque", "Angle", "Oil", "Count")


def equal(one: pa.Table, other: pa.Table) -> bool:
    """Whether two tables hold the same, no value beside no value too."""
    if one.schema != other.schema or one.num_rows != other.num_rows:
        return False
    for name in one.column_names:
        a, b = (np.array(t.column(name).to_numpy()) for t in (one, other))
        if not np.array_equal(a, b, equal_nan=a.dtype.kind == "f"):
            return False
    return True


def rig_text(log: str, time: str, *, missing: str = "", columns: tuple[Any, ...] = COLUMNS) -> str:
    """A rig file written by hand for the simulated logs: ``log`` and ``time`` hold the lines of those tables."""
    named = [repr(c).replace("'", '"') for c in columns]
    return f"""
name = "by hand"
temperature = "oil"
counter = "count"
[log]
{log}
[time]
sample_rate = "50 Hz"
{time}
[[channel]]
name = "torque"
column = {named[0]}
unit = "N*m"
{missing}
[[channel]]
name = "angle"
column = {named[1]}
unit = "deg"
[[channel]]
name = "oil"
column = {named[2]}
unit = "degC"
[[channel]]
name = "count"
column = {named[3]}
unit = "cycles"
[load]
channel = "torque"
[motion]
channel = "angle"
"""
