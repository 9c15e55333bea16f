"""How fast logs are written, and in how much memory: text and Parquet, each in a process of its own.

    python -m tests.benchmarks.simulate [cycles]

Invented data: 100 samples a cycle of time, load, motion, temperature and a counter, with noise, friction,
a cubic spring, wear and a leak, one file an hour. The logs go to a temporary folder and are deleted.
The last column is how long 2 million cycles (200 million rows) would take at that rate.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchpipe.simulate import ScenarioConfig, simulate
from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import SimulatedChannelConfig, SimulatedRigConfig
from benchpipe.simulate.specimen import AgeingConfig, LockConfig, LossConfig, SpecimenConfig, SpringConfig
from tests.benchmarks.cells import heading, row

PER_CYCLE = 100
WANTED_ROWS = 200_000_000
MOST_MB = 500
FORMATS = ("text", "text.gz", "parquet")


def scenario(form: str, cycles: int) -> ScenarioConfig:
    """The run that is timed."""
    return ScenarioConfig(
        name="bench",
        seed=1,
        specimen=SpecimenConfig(
            name="bench",
            spring=SpringConfig(stiffness=16.0, cubic=0.25, per_k=-0.001),
            loss=LossConfig(damping=0.12, friction=0.8),
            ageing=AgeingConfig(softening=0.04, wear_per_decade=0.01),
            lock=LockConfig(reference_load=60.0, leak_per_h=0.01),
        ),
        rig=SimulatedRigConfig(
            name="bench",
            sample_rate_hz=float(PER_CYCLE),
            channels=(
                SimulatedChannelConfig(source="time", name="Time", decimals=2),
                SimulatedChannelConfig(source="load", name="Torque", decimals=2, noise=0.06),
                SimulatedChannelConfig(source="motion", name="Angle", decimals=3, noise=0.003),
                SimulatedChannelConfig(source="temperature", name="Temperature", decimals=2, noise=0.03),
                SimulatedChannelConfig(source="counter", name="Cycle", decimals=0),
            ),
        ),
        log=WrittenLogConfig(format="parquet" if form == "parquet" else "text", gzip=form == "text.gz", cut="hour"),
        block=(CyclicConfig(name="main", cycles=cycles, frequency_hz=1.0, valley=5.0, peak=80.0, scatter=0.002),),
    )


def run(form: str, cycles: int) -> int:
    """Time one run in this process and print its row; 1 where it took too much memory."""
    with tempfile.TemporaryDirectory() as folder:
        simulate(scenario(form, 10), Path(folder) / "warm-up")  # compiles
        begin = time.perf_counter()
        result = simulate(scenario(form, cycles), Path(folder) / "run")
        took = time.perf_counter() - begin
        size = sum(path.stat().st_size for path in result.logs)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # kB on Linux
    rate = result.rows / took
    cells = f"{took:.1f}", f"{rate / 1e6:.2f}", f"{size / result.rows:.1f}", f"{memory:.0f}"
    print(row(form, f"{result.rows:,}", *cells, f"{WANTED_ROWS / rate / 60:.1f}"), flush=True)
    return int(memory > MOST_MB)


def main() -> int:
    """Run each format in a process of its own."""
    cycles = sys.argv[1] if len(sys.argv) > 1 else "20000"
    print(heading("format", "rows", "s", "million rows/s", "B/row", "peak MB", "min, 200 million rows"), flush=True)
    command = [sys.executable, "-m", "tests.benchmarks.simulate", cycles]
    return max(subprocess.run([*command, form], check=False).returncode for form in FORMATS)


if __name__ == "__main__":
    sys.exit(run(sys.argv[2], int(sys.argv[1])) if len(sys.argv) > 2 else main())
