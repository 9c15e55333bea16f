"""Samples to cycle rows: ratios of medians from one run on this machine.

    python -m tests.benchmarks.cycles [million rows] [--peers] [--memory]

All data are invented: a noisy load cycle, 100 samples each. (a) decodes the same columns
from Parquet into memory and does nothing else, on the same threads; against it stand our cycle
rows in memory, and the same rows written to the store (encoded, hashed, synced).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchpipe.blocks.cyclic.cycle_tables import CycleTables
from benchpipe.blocks.cyclic.cycles import cycle_settings
from benchpipe.blocks.cyclic.measure import write_cycles
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, ChannelConfig, LogConfig, RigConfig, TimeConfig
from benchpipe.ingest.calibrate import samples_schema
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.stream import map_samples
from benchpipe.store.parts import ROW_GROUP, new_part
from benchpipe.store.run_store import RunStore
from benchpipe.stream.memory import collect_rarely
from benchpipe.stream.ordered import ordered_map
from tests.benchmarks import peers
from tests.benchmarks.cells import figures, heading, row
from tests.benchmarks.needs import need

PER_CYCLE = 100
PART_ROWS = 20_000_000
RUNS = 5
RIG = RigConfig(
    name="bench",
    log=LogConfig(),
    time=TimeConfig(kind="elapsed", column="t", sample_rate="100 Hz"),
    channel=(
        ChannelConfig(name="load", column="f", unit="N*m"),
        ChannelConfig(name="motion", column="x", unit="deg"),
        ChannelConfig(name="temperature", column="T", unit="degC"),
    ),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
    temperature="temperature",
)
BLOCK = CyclicBlock(
    name="b", kind="cyclic", frequency="1 Hz", load_min=Quantity(10.0, "torque"), load_max=Quantity(70.0, "torque")
)
COLUMNS = ["load", "motion", "temperature"]


def signal(rows: int, noise: float) -> dict[str, np.ndarray]:
    """Time [us], load, motion and temperature of a simple lossy spring."""
    rng = np.random.default_rng(1)
    phase = 2 * np.pi * (np.arange(rows) % PER_CYCLE + 0.5) / PER_CYCLE
    load = 40.0 + 30.0 * np.sin(phase)
    motion = 4.0 + 3.0 * np.sin(phase - 0.08)
    if noise:
        load = load + noise * rng.standard_normal(rows)
        motion = motion + 0.01 * noise * rng.standard_normal(rows)
    return {
        "time": np.arange(rows) * 10_000,
        "load": load.astype(np.float32),
        "motion": motion.astype(np.float32),
        "temperature": (23.0 + 0.01 * rng.standard_normal(rows)).astype(np.float32),
    }


def write_part(store: RunStore, rows: int, noise: float) -> SampleInput:
    """One part of samples in the store's own layout."""
    with new_part(store.folder, "samples", samples_schema(RIG)) as writer:
        for first in range(0, rows, 4_000_000):
            count = min(4_000_000, rows - first)
            made = signal(count, noise)
            arrays = [pa.array(made["time"] + first * 10_000), pa.array(np.arange(first, first + count))]
            arrays += [pa.array(made[name]) for name in COLUMNS]
            writer.write(pa.Table.from_arrays(arrays, schema=samples_schema(RIG)))
        return SampleInput("bench", writer.finish("0" * 64), 0, None)


def repeated(one: SampleInput, times: int) -> list[SampleInput]:
    """A long run: the same part again and again, each later on the run's axis."""
    step = one.part.rows * 10_000
    return [SampleInput(one.file, one.part, i * step, None) for i in range(times)]


def decode(store: RunStore, inputs: list[SampleInput]) -> int:
    """Read the same columns and do nothing else."""
    return sum(map_samples(lambda batch: len(batch.time_us), store.folder, inputs, COLUMNS))


def default_layout(store: RunStore, one: SampleInput) -> Path:
    """The same columns in a file as pyarrow lays them out by default."""
    path = store.folder / "default.parquet"
    table = pq.read_table(store.folder / one.part.path, columns=["time_us", *COLUMNS])
    pq.write_table(table, path, row_group_size=ROW_GROUP)
    return path


def decode_default(path: Path, times: int) -> int:
    """Read that file so many times, on the same threads."""

    def rows(group: int) -> int:
        with pq.ParquetFile(path) as file:
            return file.read_row_group(group, use_threads=False).num_rows

    groups = range(pq.read_metadata(path).num_row_groups)
    return sum(ordered_map(rows, [*groups] * times))


def tables_of(store: RunStore, inputs: list[SampleInput]) -> CycleTables:
    """The cycles of all samples, not begun with."""
    return CycleTables(RIG, store, BLOCK, cycle_settings(BLOCK, RIG), inputs, None)


def in_memory(store: RunStore, inputs: list[SampleInput]) -> int:
    """Samples to tables of cycle rows in memory, every measure."""
    return sum(table.num_rows for table in tables_of(store, inputs))


def ours(store: RunStore, inputs: list[SampleInput]) -> int:
    """Samples to written cycle rows, every measure."""
    settled, tail = write_cycles(store, tables_of(store, inputs), "1" * 64)
    return sum(part.rows for part in settled + tail)


def timed(*works: Callable[[], object]) -> list[float]:
    """Median seconds of each, run in turn."""
    for work in works:
        work()
    seconds: list[list[float]] = [[] for _ in works]
    for _ in range(RUNS):
        for work, taken in zip(works, seconds, strict=True):
            began = time.perf_counter()
            work()
            taken.append(time.perf_counter() - began)
    return [median(taken) for taken in seconds]


def peak_memory(millions: int) -> float:
    """Peak resident memory [MB] of a process of its own that makes the cycles."""
    command = [sys.executable, "-m", "tests.benchmarks.cycles", str(millions), "--memory"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return float(done.stdout.split()[-1])


def main(arguments: list[str]) -> None:
    """Print the table."""
    need(*(("pandas", "polars") if "--peers" in arguments else ()))
    collect_rarely()
    millions = int(arguments[0]) if arguments and arguments[0].isdigit() else 200
    rows = min(millions * 1_000_000, PART_ROWS)
    times = max(1, millions * 1_000_000 // PART_ROWS)
    with tempfile.TemporaryDirectory() as folder:
        store = RunStore(Path(folder), "bench")
        if "--memory" in arguments:
            command = [sys.executable, "-c", _CHILD, folder, str(rows), str(times)]
            print(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
            return
        one = write_part(store, rows, 0.1)
        inputs = repeated(one, times)
        made = ours(store, inputs)
        default = default_layout(store, one)
        ways = [lambda way=way: way(store, inputs) for way in (decode, in_memory, ours)]  # type: ignore[misc]
        bare, rows_only, mine, other = timed(*ways, lambda: decode_default(default, times))
        table = [
            ("rows of 4 columns", f"{rows * times:,}", "1", ""),
            ("cycle rows", f"{made:,}", "1", ""),
            ("decode only (a)", f"{bare:.2f}", "s", ""),
            ("decode, in pyarrow's own layout", f"{other:.2f}", "s", ""),
            ("cycle rows in memory", f"{rows_only:.2f}", "s", ""),
            ("cycle rows in memory / (a)", f"{rows_only / bare:.2f}", "1", "1.6"),
            ("cycle rows in the store", f"{mine:.2f}", "s", ""),
            ("cycle rows in the store / (a)", f"{mine / bare:.2f}", "1", ""),
            ("cycles into the store", f"{made / mine / 1e6:.2f}", "million/s", ""),
            ("peak memory", f"{peak_memory(millions):.0f}", "MB", ""),
        ]
        print(figures(table))
        if "--peers" in arguments:
            _peers(Path(folder))


_CHILD = """
import os
import resource
import sys
from pathlib import Path
from benchpipe.store.run_store import RunStore
from benchpipe.stream.memory import collect_rarely
from tests.benchmarks.cycles import ours, repeated, write_part
collect_rarely()
store = RunStore(Path(sys.argv[1]), "bench")
pid = os.fork()
if pid == 0:
    one = write_part(store, int(sys.argv[2]), 0.1)
    Path(sys.argv[1], "part.json").write_text(one.part.model_dump_json())
    os._exit(0)
os.waitpid(pid, 0)
from benchpipe.store.manifest import Part
from benchpipe.samples.inputs import SampleInput
part = Part.model_validate_json(Path(sys.argv[1], "part.json").read_text())
ours(store, repeated(SampleInput("bench", part, 0, None), int(sys.argv[3])))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def agreement(folder: Path) -> dict[str, tuple[float, str]]:
    """Largest difference of each other way from ours on 200 clean cycles, and in which figure."""
    store = RunStore(folder, "agree")
    one = write_part(store, 200 * PER_CYCLE, 0.0)
    settled, tail = write_cycles(store, tables_of(store, [one]), "2" * 64)
    mine = peers.ours_as_figures(store.read_parts(settled + tail, "cycles"))
    return {name: peers.apart(way(store.folder / one.part.path), mine) for name, way in _ways().items()}


def _ways() -> dict[str, Callable[[Path], dict[str, np.ndarray]]]:
    level = cycle_settings(BLOCK, RIG).cut.high
    return {
        "(c) pandas, find_peaks, loop": lambda path: peers.pandas_loop(path, level, PER_CYCLE),
        "(d) Polars group-by": lambda path: peers.polars_group_by(path, level),
        "(e) NumPy reduceat": lambda path: peers.numpy_reduceat(path, level),
    }


AIMS = {"(c)": 600, "(d)": 4, "(e)": 4}
PEER_ROWS = 10_000_000
LOOP_ROWS = 100_000  # the loop's time goes with the rows: it is timed on fewer of them


def _peers(folder: Path) -> None:
    """The other ways on a clean file: agreement, then speed against ours on the same file, taken in turn."""
    apart = agreement(folder)
    ways = _ways()
    store = RunStore(folder, "clean")
    many, few = (write_part(store, rows, 0.0) for rows in (PEER_ROWS, LOOP_ROWS))
    loop, *vectors = ways
    works = [lambda way=way: way(store, [many]) for way in (in_memory, ours)]  # type: ignore[misc]
    works += [lambda name=name: ways[name](store.folder / many.part.path) for name in vectors]  # type: ignore[misc]
    works.append(lambda: ways[loop](store.folder / few.part.path))
    rows_only, written, *theirs, slow = timed(*works)
    took = dict(zip(vectors, theirs, strict=True)) | {loop: slow * PEER_ROWS / LOOP_ROWS}
    cycles = PEER_ROWS / PER_CYCLE / 1e3
    print(f"\n{len(peers.FIGURES)} figures of {cycles:,.0f} thousand clean cycles, Parquet into memory; ours: all.\n")
    heads = ("thousand cycles/s", "ours is faster, times", "aim", "ours into the store, times")
    print(heading("way", *heads, "largest difference", "of"))
    print(row("ours", f"{cycles / rows_only:.1f}", "", "", "", "", ""))
    print(row("ours into the store", f"{cycles / written:.1f}", "", "", "", "", ""))
    for name in ways:
        ratios = f"{took[name] / rows_only:.1f}", AIMS[name[:3]], f"{took[name] / written:.1f}"
        print(row(name, f"{cycles / took[name]:.1f}", *ratios, f"{apart[name][0]:.1e}", apart[name][1]))


if __name__ == "__main__":
    main(sys.argv[1:])
