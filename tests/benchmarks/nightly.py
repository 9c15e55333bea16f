"""Nights of a lab: cost of a new day, of an idle night, and memory of all processes together.

    python -m tests.benchmarks.nightly [cycles a day] [nights] [runs] [jobs]

Invented data: one simulated rig, 100 samples a cycle at 100 Hz, a text log a day (four channels and a
counter), linked into the folders of all runs. Each night every run has one day more; then two nights
bring nothing new. A night is a process of its own, start-up included. The cost of a day must not grow
with the days before it: compare the nights. Full size: 86400 cycles, 40 runs.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from benchpipe.simulate import ScenarioConfig, simulate
from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.log import WrittenLogConfig
from benchpipe.simulate.rig import SimulatedChannelConfig, SimulatedRigConfig
from benchpipe.simulate.specimen import AgeingConfig, LossConfig, SpecimenConfig, SpringConfig
from tests.benchmarks.cells import heading, row

PER_CYCLE = 100
MOST_IDLE_S = 2.0
MOST_MB = 1000.0
REPO = Path(__file__).resolve().parents[2]
RIG = """
name = "bench"
temperature = "temperature"
counter = "counter"
[log]
format = "text"
[time]
kind = "datetime"
column = "Time"
format = "%Y-%m-%d %H:%M:%S.%f"
sample_rate = "100 Hz"
[[channel]]
name = "torque"
column = "Torque"
unit = "N*m"
uncertainty = "0.5 %"
[[channel]]
name = "angle"
column = "Angle"
unit = "deg"
uncertainty = "0.5 %"
[[channel]]
name = "temperature"
column = "Temperature"
unit = "degC"
[[channel]]
name = "counter"
column = "Cycle"
unit = "1"
[load]
channel = "torque"
[motion]
channel = "angle"
"""
PLAN = """
name = "run-{n:02}"
specimen = "bench (invented)"
rig = "../rig.toml"
limits = ["{limits}/lockable-ankle.toml", "{limits}/drift.toml"]
logs = ["logs/*.csv"]
[[block]]
name = "main"
kind = "cyclic"
load_min = "5 N*m"
load_max = "80 N*m"
tolerance = "3 %"
frequency = "1 Hz"
planned_cycles = 2_000_000
baseline = [200, 400]
"""


def days(folder: Path, cycles: int, nights: int) -> list[bytes]:
    """Path of a text log for each day; a file is cut at the rows of a day."""
    scenario = ScenarioConfig(
        name="bench",
        seed=1,
        specimen=SpecimenConfig(
            name="bench",
            spring=SpringConfig(stiffness=16.0, cubic=0.25),
            loss=LossConfig(damping=0.12, friction=0.8),
            ageing=AgeingConfig(softening=0.04, wear_per_decade=0.004),
        ),
        rig=SimulatedRigConfig(
            name="bench",
            sample_rate_hz=float(PER_CYCLE),
            start=datetime(2031, 3, 3),
            channels=(
                SimulatedChannelConfig(source="time", name="Time", decimals=2),
                SimulatedChannelConfig(source="load", name="Torque", decimals=2, noise=0.06),
                SimulatedChannelConfig(source="motion", name="Angle", decimals=3, noise=0.003),
                SimulatedChannelConfig(source="temperature", name="Temperature", decimals=2, noise=0.03),
                SimulatedChannelConfig(source="counter", name="Cycle", decimals=0),
            ),
        ),
        log=WrittenLogConfig(cut="cycles", cycles_per_file=cycles, time_format="%Y-%m-%d %H:%M:%S.%f"),
        block=(
            CyclicConfig(name="main", cycles=cycles * nights, frequency_hz=1.0, valley=5.0, peak=80.0, scatter=0.002),
        ),
    )  # fmt: skip
    return sorted(simulate(scenario, folder).logs)


def lay_out(folder: Path, runs: int) -> Path:
    """A lab without logs."""
    folder.mkdir()
    (folder / "rig.toml").write_text(RIG, encoding="utf-8")
    names = [f"run-{n:02}" for n in range(1, runs + 1)]
    for n, name in enumerate(names, 1):
        (folder / name / "logs").mkdir(parents=True)
        plan = PLAN.format(n=n, limits=(REPO / "configs" / "limits").as_posix())
        (folder / name / "plan.toml").write_text(plan, encoding="utf-8")
    plans = ", ".join(f'"{name}/plan.toml"' for name in names)
    lab = folder / "lab.toml"
    lab.write_text(f'name = "bench"\nstore = "store"\nplans = [{plans}]\n', encoding="utf-8")
    return lab


def memory_mb(pid: int) -> float:
    """Memory of a process and all its children, what they share counted once [MB]."""
    total = 0.0
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                total += int(line.split()[1]) / 1024
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                total += memory_mb(int(child))
    return total


def night(lab: Path, jobs: int) -> tuple[float, float]:
    """Seconds of a night, and the peak memory of its processes [MB]."""
    command = [sys.executable, "-m", "benchpipe", "nightly", str(lab), "--brief", "--jobs", str(jobs)]
    began, peak = time.perf_counter(), 0.0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=REPO) as job:
        said: list[bytes] = []
        reader = threading.Thread(target=lambda: said.append(job.stderr.read()))  # type: ignore[union-attr]
        reader.start()
        while job.poll() is None:
            peak = max(peak, memory_mb(job.pid))
            time.sleep(0.02)
        took = time.perf_counter() - began
        reader.join()
        if job.returncode not in (0, 10, 11):
            sys.exit(f"the night left with {job.returncode}:\n{said[0].decode()}")
    return took, peak


def main(arguments: list[str]) -> int:
    """Print a row a night; 1 where an idle night or the memory is over the mark."""
    cycles, nights, runs, jobs = (int(a) for a in (*arguments, *("8640", "4", "40", "2")[len(arguments) :]))
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as folder:
        lab = lay_out(Path(folder) / "lab", runs)
        logs = days(Path(folder) / "rig", cycles, nights)
        size = logs[0].stat().st_size / 1e6
        print(f"{runs} runs, {cycles:,} cycles of {PER_CYCLE} samples a day ({size:.0f} MB text), {jobs} job(s).\n")
        print(heading("night", "s", "s a run", "peak MB"))
        peaks, idle = [], []
        for k in range(1, nights + 3):
            if k <= nights:
                for plan in lab.parent.glob("*/plan.toml"):
                    os.link(logs[k - 1], plan.parent / "logs" / f"day_{k:04}.csv")
            took, peak = night(lab, jobs)
            peaks.append(peak)
            idle += [took] if k > nights else []
            name = str(k) if k <= nights else "nothing new"
            print(row(name, f"{took:.2f}", f"{took / runs:.3f}", f"{peak:.0f}"), flush=True)
    return int(min(idle) > MOST_IDLE_S or max(peaks) > MOST_MB)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
