"""Text logs to calibrated Parquet, origin and rejects included: ratios of medians from one run on this machine.

    python -m tests.benchmarks.ingest [million rows]

All data are invented: a load cycle at 100 Hz, four columns, noise on each channel, one log. Each measure runs in a
process of its own (its start and imports are not counted, its peak memory is), in turn, so that all
meet the same neighbours. Channels without noise, which a dictionary packs in no time, bring the second
ratio down to about 1.4.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from types import MappingProxyType

import numpy as np
import pyarrow as pa
from pyarrow import csv

from benchpipe.stream.memory import collect_rarely
from tests.benchmarks.cells import figures, heading, row
from tests.benchmarks.needs import need

RUNS = 3
PIECE = 2_000_000
DIRTY_EVERY = 100
RIG = """name = "bench"
[log]
missing = ["OVER"]
[time]
column = "t"
sample_rate = "100 Hz"
[[channel]]
name = "load"
column = "F"
unit = "N"
scale = 1.0003
offset = 0.2
[[channel]]
name = "motion"
column = "x"
unit = "mm"
[[channel]]
name = "temperature"
column = "T"
unit = "degC"
[load]
channel = "load"
[motion]
channel = "motion"
"""
PLAN = """name = "{name}"
specimen = "invented"
rig = "rig.toml"
logs = ["{name}.csv"]
[[block]]
name = "main"
kind = "cyclic"
frequency = "1 Hz"
load_min = "50 N"
load_max = "1230 N"
"""


def write_logs(folder: Path, rows: int) -> None:
    """A clean log, and one in which every hundredth row is bad in one of five ways."""
    (folder / "rig.toml").write_text(RIG)
    draw = np.random.default_rng(1)
    odd = [b"OVER,1,2", b"t,F,x,T", b"", b"12.5,abc,1.0,2.0", b"7.00,800.0,OVER,20.1"]
    for name in ("clean", "dirty"):
        (folder / f"{name}.toml").write_text(PLAN.format(name=name))
        (folder / f"{name}.csv").write_bytes(b"t,F,x,T\n")
    for first in range(0, rows, PIECE):
        k = np.arange(first, min(first + PIECE, rows))
        wave = 2 * np.pi * k / 100
        table = pa.table({
            "t": np.round(k / 100, 2), "F": np.round(640 + 590 * np.sin(wave) + draw.normal(0, 2, k.size), 2),
            "x": np.round(6 + 5 * np.sin(wave - 0.1) + draw.normal(0, 0.003, k.size), 4),
            "T": np.round(23 + 2 * np.sin(wave / 1e5) + draw.normal(0, 0.05, k.size), 2),
        })  # fmt: skip
        out = pa.BufferOutputStream()
        csv.write_csv(table, out, csv.WriteOptions(include_header=False))
        data = out.getvalue().to_pybytes()
        with (folder / "clean.csv").open("ab") as file:
            file.write(data)
        lines = data.split(b"\n")
        lines[::DIRTY_EVERY] = [odd[n % len(odd)] for n in range(len(lines[::DIRTY_EVERY]))]
        with (folder / "dirty.csv").open("ab") as file:
            file.write(b"\n".join(lines[:-1]) + b"\n")


def ours(folder: Path, log: str = "clean") -> None:
    """The ingest step of a run."""
    from benchpipe.run import load_run
    from benchpipe.store.run_store import RunStore
    from tests.steps_done import ingest_run

    run = load_run(folder / f"{log}.toml", store=folder / "store")
    ingest_run(run, RunStore(run.store, run.name), again=True)


def dirty(folder: Path) -> None:
    """The same with the dirty log."""
    ours(folder, "dirty")


def polars_read(folder: Path) -> None:
    """The clean log into memory, and no more."""
    import polars as pl

    pl.read_csv(folder / "clean.csv", schema=dict.fromkeys("tFxT", pl.Float64))


def polars_sink(folder: Path) -> None:
    """The clean log to Parquet: no origin, no calibration, no hash, no fsync."""
    import polars as pl

    pl.scan_csv(folder / "clean.csv", schema=dict.fromkeys("tFxT", pl.Float64)).sink_parquet(folder / "sink.parquet")


MEASURES: MappingProxyType[str, Callable[[Path], None]] = MappingProxyType(
    {"ours": ours, "ours, dirty": dirty, "polars read": polars_read, "polars sink": polars_sink}
)


def measure(name: str, folder: Path) -> None:
    """Measure one in this process; warm up on a small log (compiled kernels, imports)."""
    collect_rarely()  # as the command line does
    with tempfile.TemporaryDirectory(dir=folder) as small:
        write_logs(Path(small), 1000)
        MEASURES[name](Path(small))
    start = time.perf_counter()
    MEASURES[name](folder)
    seconds = time.perf_counter() - start
    status = Path("/proc/self/status").read_text()  # the peak of this process alone
    print(json.dumps([seconds, int(status.split("VmHWM:")[1].split()[0]) / 1024]))


def main() -> int:
    """Print the ratios."""
    need("polars")
    if len(sys.argv) == 4:
        measure(sys.argv[2], Path(sys.argv[3]))
        return 0
    rows = int(float(sys.argv[1] if len(sys.argv) > 1 else "20") * 1e6)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_logs(folder, rows)
        found: dict[str, list[list[float]]] = {one: [] for one in MEASURES}
        for _ in range(RUNS):
            for one in MEASURES:
                command = [sys.executable, "-m", "tests.benchmarks.ingest", "one", one, name]
                found[one].append(json.loads(subprocess.run(command, check=True, capture_output=True).stdout))
    seconds = {one: median(run[0] for run in runs) for one, runs in found.items()}
    memory = {one: max(run[1] for run in runs) for one, runs in found.items()}
    print(heading("way", "s", "million rows/s", "peak MB"))
    for one in MEASURES:
        print(row(one, f"{seconds[one]:.2f}", f"{rows / seconds[one] / 1e6:.1f}", f"{memory[one]:.0f}"))
    table = [
        ("rows of 4 columns", f"{rows:,}", "1", ""),
        ("ours / polars read", f"{seconds['ours'] / seconds['polars read']:.2f}", "1", "at most 1.6"),
        ("polars sink / ours", f"{seconds['polars sink'] / seconds['ours']:.2f}", "1", "at least 1.8"),
        ("ours, dirty / ours", f"{seconds['ours, dirty'] / seconds['ours']:.2f}", "1", "at most 4"),
        ("ours, peak memory", f"{max(memory['ours'], memory['ours, dirty']):.0f}", "MB", "below 700"),
    ]
    print(f"\n{figures(table)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
