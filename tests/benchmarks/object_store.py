"""A night on an object store: its time against one on a folder, its requests and bytes, and what a thousand rigs need.

    python -m tests.benchmarks.object_store [cycles a day] [nights] [runs]

Invented data, as in ``tests.benchmarks.nightly``. Times are of whole processes, the object store a server of moto on
loopback in a process of its own; requests and bytes are counted in this process, on an object store in memory. What a
thousand rigs need is computed from the rows above it: days of 24 h at 100 samples a cycle and one cycle a second.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchpipe.mirrors import HOME
from benchpipe.night.lab import work_lab
from tests.benchmarks.cells import heading, row
from tests.benchmarks.needs import need
from tests.benchmarks.nightly import PER_CYCLE, REPO, days, lay_out
from tests.store.objects import on_machine

RIGS = 1000
DAY_ROWS = 86_400 * PER_CYCLE
MOST_TIMES = 1.3
WRITES = ("put", "copy", "list", "list_with_delimiter")  # what providers bill as a write or a listing
READS = ("get", "head")


class Counted:
    """Counts requests, and bytes sent and fetched."""

    def __init__(self, client: Any) -> None:
        self.client = client
        self.requests: Counter[str] = Counter()
        self.sent = 0

    def __getattr__(self, name: str) -> Any:
        plain = getattr(self.client, name)

        def asked(*given: Any, **named: Any) -> Any:
            self.requests[name] += 1
            if name == "put":
                self.sent += given[1].stat().st_size if isinstance(given[1], Path) else len(given[1])
            return plain(*given, **named)

        return asked

    def taken(self) -> tuple[int, int, int, int]:
        """Writes and listings, reads, removals and bytes since the last time."""
        found = self.requests
        numbers = sum(found[n] for n in WRITES), sum(found[n] for n in READS), found["delete"], self.sent
        self.requests, self.sent = Counter(), 0
        return numbers


@contextmanager
def server() -> Iterator[str]:
    """Endpoint of a server in a process of its own."""
    with tempfile.TemporaryFile() as said:
        command = [sys.executable, "-c", SERVER]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=said, text=True) as job:
            assert job.stdout is not None
            port = next(int(line.split()[1]) for line in job.stdout if line.startswith("PORT"))
            endpoint = f"http://127.0.0.1:{port}"
            with urllib.request.urlopen(urllib.request.Request(f"{endpoint}/lab", method="PUT")):
                pass
            try:
                yield endpoint
            finally:
                job.kill()


SERVER = """
import time
from moto.server import ThreadedMotoServer
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
server.start()
print("PORT", server.get_host_and_port()[1], flush=True)
time.sleep(1e6)
"""


def night(lab: Path, environment: dict[str, str]) -> tuple[float, float]:
    """Seconds of a night, and CPU seconds of its processes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    command = [sys.executable, "-m", "benchpipe", "nightly", str(lab), "--brief", "--jobs", "1"]
    done = subprocess.run(command, env=environment, cwd=REPO, capture_output=True, check=False)
    took = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 10, 11):
        sys.exit(f"the night left with {done.returncode}:\n{done.stderr.decode()}")
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def add_day(lab: Path, logs: list[bytes], day: int) -> None:
    """One more log for every run."""
    for plan in lab.parent.glob("*/plan.toml"):
        shutil.copyfile(logs[day], plan.parent / "logs" / f"day_{day + 1:04}.csv")


def on_s3(lab: Path) -> Path:
    """The lab with its store on an object store."""
    lab.write_text(lab.read_text("utf-8").replace('store = "store"', 'store = "s3://lab/bench"'), encoding="utf-8")
    return lab


def times(folder: Path, logs: list[bytes], runs: int) -> tuple[float, float]:
    """Print the times of nights; the ratio of new days, and CPU seconds of a run's new day."""
    labs = {"folder": lay_out(folder / "on-folder", runs), "object store": on_s3(lay_out(folder / "on-s3", runs))}
    found: dict[tuple[str, bool], list[float]] = {}
    cpu: list[float] = []
    with server() as endpoint:
        environment = os.environ | {
            "AWS_ENDPOINT_URL": endpoint, "AWS_ACCESS_KEY_ID": "bench", "AWS_SECRET_ACCESS_KEY": "bench",
            "AWS_REGION": "us-east-1", HOME: str(folder / "cache"),
        }  # fmt: skip
        for day in range(len(logs) + 3):
            for name, lab in labs.items():
                if day < len(logs):
                    add_day(lab, logs, day)
                took, used = night(lab, environment)
                if day:  # the first night compiles
                    found.setdefault((name, day < len(logs)), []).append(took)
                if name == "object store" and 0 < day < len(logs):
                    cpu.append(used / runs)
    print(heading("night", "folder, s", "object store, s", "times"))
    ratios = {}
    for new, text in ((True, f"a new day of {runs} run(s)"), (False, "nothing new")):
        one, other = (statistics.median(found[name, new]) for name in ("folder", "object store"))
        ratios[new] = other / one
        print(row(text, f"{one:.2f}", f"{other:.2f}", f"{other / one:.2f}"))
    return ratios[True], statistics.median(cpu)


def counts(folder: Path, logs: list[bytes], runs: int, cpu_s: float, rows: int) -> None:
    """Print requests and bytes, and what they come to for many rigs."""
    from obstore.store import MemoryStore

    lab, client = on_s3(lay_out(folder / "counted", runs)), Counted(MemoryStore())
    taken = {}
    with on_machine(folder / "cache-counted", client):
        for day in range(len(logs) + 1):
            if day < len(logs):
                add_day(lab, logs, day)
            work_lab(lab, bug=lambda error, _: repr(error))
            taken["a new day" if day < len(logs) else "nothing new"] = client.taken()
        stored = sum(int(one["size"]) for one in client.client.list().collect())
        parts = sum(
            int(one["size"]) for one in client.client.list().collect() if str(one["path"]).endswith(".parquet")
        )
        shutil.rmtree(folder / "cache-counted")
    with on_machine(folder / "cache-counted", client):  # another machine: small files only
        work_lab(lab, bug=lambda error, _: repr(error))
        taken["nothing new, another machine"] = client.taken()
    names = "writes and listings", "reads", "removals", "kB sent"
    print("\n" + heading("of one run, with its share of the four of a job", *names))
    each = {text: [number / runs for number in numbers] for text, numbers in taken.items()}
    for text, (writes, reads, removals, sent) in each.items():
        print(row(text, f"{writes:.0f}", f"{reads:.0f}", f"{removals:.0f}", f"{sent / 1e3:,.0f}"))
    a_row = parts / (len(logs) * runs * rows)
    print("\n" + heading("figure", "value", "unit"))
    print(row("stored, a row of 4 channels", f"{a_row:.1f}", "byte"))
    print(row("of it manifests and notes of a run", f"{(stored - parts) / runs / 1e3:,.0f}", "kB"))
    print(row("CPU, a million rows, start-up and object store included", f"{1e6 * cpu_s / rows:.2f}", "s"))
    new = each["a new day"]
    a_day, hours = a_row * DAY_ROWS, cpu_s / rows * DAY_ROWS / 3600
    print("\n" + heading(f"{RIGS:,} rigs, whole days", "TB stored", "million writes", "million reads", "core-hours"))
    for text, nights in (("a night", 1), ("a year", 365), ("a rebuild of a year", 365)):
        once = 1 if "rebuild" in text else nights  # a rebuild commits a run once, however many days it has
        parts_each = nights if "rebuild" in text else 0
        writes = RIGS * (new[0] * once + 2 * parts_each)
        print(row(text, f"{RIGS * nights * a_day / 1e12:.3g}", f"{writes / 1e6:.3g}",
                  f"{RIGS * new[1] * once / 1e6:.3g}", f"{RIGS * nights * hours:,.0f}"))  # fmt: skip


def main(arguments: list[str]) -> int:
    """Print all of it; 1 where a night takes too many times that of a folder."""
    need("obstore", "moto")
    cycles, nights, runs = (int(a) for a in (*arguments, *("8640", "4", "4")[len(arguments) :]))
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as given:
        folder = Path(given)
        logs = days(folder / "rig", cycles, nights)[:nights]  # what is left of the last cycle has a log of its own
        print(f"{runs} runs, {cycles:,} cycles of {PER_CYCLE} samples a day, one job.\n")
        ratio, cpu_s = times(folder, logs, runs)
        counts(folder, logs, runs, cpu_s, cycles * PER_CYCLE)
    return int(ratio > MOST_TIMES)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
