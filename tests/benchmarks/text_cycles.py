"""Text log to stored samples and cycle rows, against reading the same text with Polars: a ratio from one run.

    python -m tests.benchmarks.text_cycles [million rows]

All data are invented: those of the ingest benchmark, 100 samples a cycle. Ours are the ingest and process steps of a
run, as every night: each row placed, calibrated, kept as Parquet with its origin and hash, then every cycle with
every measure, trends and loops. (b) reads the text into memory, and no more. Each is in a process of its own, in turn.
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

from benchpipe.stream.memory import collect_rarely
from tests.benchmarks.cells import figures
from tests.benchmarks.ingest import polars_read, write_logs

RUNS = 5


def ours(folder: Path) -> dict[str, float]:
    """Ingest and process the whole clean log; seconds of each step."""
    from benchpipe.pipeline import work
    from benchpipe.run import load_run

    outcome = work(load_run(folder / "clean.toml", store=folder / "store"), until="process", again=True)
    return outcome.seconds


def polars(folder: Path) -> dict[str, float]:
    """The same log into memory."""
    polars_read(folder)
    return {}


WAYS: MappingProxyType[str, Callable[[Path], dict[str, float]]] = MappingProxyType({"ours": ours, "polars": polars})


def measure(name: str, folder: Path) -> None:
    """Measure one in this process; warm up on a small log (compiled kernels, imports)."""
    collect_rarely()  # as the command line does
    with tempfile.TemporaryDirectory(dir=folder) as small:
        write_logs(Path(small), 1000)
        WAYS[name](Path(small))
    start = time.perf_counter()
    steps = WAYS[name](folder)
    seconds = time.perf_counter() - start
    peak = int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024
    print(json.dumps([seconds, peak, steps]))


def main() -> int:
    """Print the ratio."""
    if len(sys.argv) == 4:
        measure(sys.argv[2], Path(sys.argv[3]))
        return 0
    rows = int(float(sys.argv[1] if len(sys.argv) > 1 else "20") * 1e6)
    found: dict[str, list[tuple[float, float, dict[str, float]]]] = {name: [] for name in WAYS}
    with tempfile.TemporaryDirectory() as name:
        write_logs(Path(name), rows)
        for _ in range(RUNS):
            for way in WAYS:
                command = [sys.executable, "-m", "tests.benchmarks.text_cycles", "one", way, name]
                found[way].append(json.loads(subprocess.run(command, check=True, capture_output=True).stdout))
    seconds = {way: median(run[0] for run in runs) for way, runs in found.items()}
    steps = {step: median(run[2][step] for run in found["ours"]) for step in found["ours"][0][2]}
    table = [
        ("rows of 4 columns", f"{rows:,}", "1", ""),
        ("cycles", f"{rows // 100:,}", "1", ""),
        ("Polars into memory (b)", f"{seconds['polars']:.2f}", "s", ""),
        ("text to cycle rows", f"{seconds['ours']:.2f}", "s", ""),
        *((f"of it {step}", f"{took:.2f}", "s", "") for step, took in steps.items()),
        ("text to cycle rows / (b)", f"{seconds['ours'] / seconds['polars']:.2f}", "1", "at most 1.6"),
        ("peak memory", f"{max(run[1] for run in found['ours']):.0f}", "MB", ""),
    ]
    print(figures(table))
    return 0


if __name__ == "__main__":
    sys.exit(main())
