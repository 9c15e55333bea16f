"""What a command costs that has nothing to do: help, ``show``, and a night without news over one run and over many.

    python -m tests.benchmarks.start [runs] [repetitions]

CPU time of the whole process, start-up included: the least of several, since other work on the machine only adds to
it. Invented data: each run has one small log. The runs' first nights and the verification of files are not counted.
A user's machine has no pandas: where it is installed, it is hidden from these commands.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.cells import figures
from tests.benchmarks.nightly import REPO, days, lay_out

AIMS = {"help": 0.08, "show": 0.35, "one": 0.35, "many": 0.8}
CYCLES = 2000


def cpu_s(arguments: list[str], environment: dict[str, str], repetitions: int) -> float:
    """Least CPU time of a command [s]."""
    least = float("inf")
    for _ in range(repetitions):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(
            [sys.executable, "-m", "benchpipe", *arguments], cwd=REPO, env=environment, capture_output=True, check=False
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode not in (0, 10, 11):
            sys.exit(f"{arguments} left with {done.returncode}:\n{done.stderr.decode()}")
        least = min(least, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return least


def lab_of(folder: Path, runs: int, log: bytes, environment: dict[str, str]) -> Path:
    """A lab whose last nights found nothing new."""
    lab = lay_out(folder, runs)
    for plan in folder.glob("*/plan.toml"):
        os.link(log, plan.parent / "logs" / "day_0001.csv")
    for path in folder.rglob("*.toml"):
        os.utime(path, (1.9e9, 1.0e9))
    cpu_s(["nightly", str(lab), "--brief", "--jobs", "2"], environment, 3)
    return lab


def main(arguments: list[str]) -> int:
    """Print the table; 1 where an aim is missed."""
    runs, repetitions = (int(a) for a in (*arguments, *("40", "7")[len(arguments) :]))
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as name:
        folder = Path(name)
        hidden = folder / "hidden"
        hidden.mkdir()
        (hidden / "pandas.py").write_text('raise ImportError("hidden")\n', encoding="utf-8")
        environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(REPO), str(hidden)))}
        log = days(folder / "rig", CYCLES, 1)[0]
        one = lab_of(folder / "one", 1, log, environment)
        many = lab_of(folder / "many", runs, log, environment)
        found = {
            "help": cpu_s(["--help"], environment, repetitions),
            "show": cpu_s(["show", "run-01", "--lab", str(one)], environment, repetitions),
            "one": cpu_s(["nightly", str(one)], environment, repetitions),
            "many": cpu_s(["nightly", str(many), "--brief"], environment, repetitions),
        }
    names = {
        "help": "`--help`", "show": "`show`", "one": "a night without news over one run",
        "many": f"a night without news over {runs} runs",
    }  # fmt: skip
    print(figures((names[key], f"{value:.2f}", "s of CPU", f"at most {AIMS[key]}") for key, value in found.items()))
    return int(any(round(value, 2) > AIMS[key] for key, value in found.items()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
