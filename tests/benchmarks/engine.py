"""One night on each engine: a process a run, lasting processes, and the workers of a dask scheduler on loopback.

    python -m tests.benchmarks.engine [cycles a day] [runs] [workers] [way,way]

Invented data, one day of text logs a run; CPU and wall time. The start of dask's scheduler and workers is measured by
itself and taken off: they last for many nights. Each way must give the same store, file by file: else this fails.
"""

from __future__ import annotations

import hashlib
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.cells import heading, row
from tests.benchmarks.needs import need
from tests.benchmarks.nightly import REPO, days, lay_out

MOST_OVER = 1.10  # dask against lasting processes here
CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=int(sys.argv[1]), threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as c:
        print(c.scheduler_address, flush=True)
        sys.stdin.read()
"""
AS_THE_GUIDE_SAYS = {
    "MALLOC_TRIM_THRESHOLD_": "67108864", "MALLOC_MMAP_THRESHOLD_": "33554432",
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "false",
}
WAYS = ("a process a run", "lasting processes", "dask")


def hashes(store: Path) -> dict[str, str]:
    """SHA-256 of every file of the runs."""
    return {
        path.relative_to(store).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(store.glob("run-*/**/*"))
        if path.is_file()
    }


def cluster_of(workers: int, folder: Path) -> tuple[subprocess.Popen[str], str]:
    """A scheduler and workers, and its address once all are there."""
    made = subprocess.Popen(
        [sys.executable, "-c", CLUSTER, str(workers)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        cwd=folder, env=os.environ | {"PYTHONPATH": str(REPO)} | AS_THE_GUIDE_SAYS,
    )  # fmt: skip
    return made, made.stdout.readline().strip() if made.stdout else ""


def cluster_alone(workers: int, folder: Path) -> tuple[float, float]:
    """Wall and CPU time of a scheduler and workers without a night [s]."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    cluster_of(workers, folder)[0].communicate("")
    took, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def night(lab: Path, workers: int, way: str) -> tuple[float, float]:
    """Wall and CPU time of a night [s]."""
    environment = os.environ | {"PYTHONPATH": str(REPO)}
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    cluster = None
    program = "import sys; from benchpipe.night import workers\n"
    if way == WAYS[0]:
        program += "workers.KEEP_MB = 0.0\n"  # none is kept after a run
    if way == WAYS[2]:
        cluster, address = cluster_of(workers, lab.parent)
        lab.write_text(f'{lab.read_text()}[engine]\nkind = "dask"\nscheduler = "{address}"\n')
    program += "from benchpipe.cli.main import run\nif __name__ == '__main__': run(sys.argv[1:])"
    done = subprocess.run(
        [sys.executable, "-c", program, "nightly", str(lab), "--brief", "--jobs", str(workers)], cwd=REPO,
        env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if cluster is not None:
        cluster.communicate("")
    took, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 10, 11):
        sys.exit(f"the night left with {done.returncode}:\n{done.stderr}")
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(arguments: list[str]) -> int:
    """Print a row a way; 1 where the stores differ, or dask costs too much."""
    *numbers, asked = (*arguments, *("2000", "40", "2", ",".join(WAYS))[len(arguments) :])
    cycles, runs, workers = map(int, numbers)
    ways = [way for way in WAYS if way in asked.split(",")]
    need(*(("distributed",) if WAYS[2] in ways else ()))
    found, stores = {}, []
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as name:
        log = days(Path(name) / "rig", cycles, 1)[0]
        for k, way in enumerate(("warm", *ways)):  # the first compiles what is not yet compiled
            lab = lay_out(Path(name) / f"lab-{k}", runs if k else 1)
            for plan in lab.parent.glob("*/plan.toml"):
                os.link(log, plan.parent / "logs" / "day_0001.csv")
            found[way] = night(lab, workers, way)
            stores.append(hashes(lab.parent / "store"))
        start = cluster_alone(workers, Path(name)) if WAYS[2] in ways else (0.0, 0.0)
    same = all(store == stores[1] for store in stores[1:])
    print(f"{runs} runs, {cycles:,} cycles of 100 samples each, {workers} workers; same files: {same}.\n")
    print(heading("engine", "s", "s of CPU"))
    if WAYS[2] in ways:
        found[WAYS[2]] = (found[WAYS[2]][0] - start[0], found[WAYS[2]][1] - start[1])
    for way in ways:
        print(row(way, *(f"{value:.1f}" for value in found[way])))
    over = WAYS[2] in ways and WAYS[1] in ways and found[WAYS[2]][1] > MOST_OVER * found[WAYS[1]][1]
    return int(not same or over)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
