"""Sweeps, holds, stance windows and proofs in which samples that break a limit were spoiled: not one may pass.

``python -m tests.benchmarks.hidden_in_kinds [RUNS]``.

All data are invented. Each run is drawn: a kind of test, its shipped limit, a violation of that limit and a way to
spoil exactly the rows that show it. The generator shares no code with the package. A Markdown table is printed;
"refused" is a log of which no row could be taken.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from benchpipe.errors import InputError
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.benchmarks.drawn_runs import PLAN, RATE, SPOILS, Floats, Log, Spoil, clipped, held, write_run

SEED = 20261
LIMITS = Path(__file__).parents[2] / "configs/limits/lockable-ankle.toml"
HEAD = PLAN.split("[[block]]")[0]
SWEEP = """[[block]]
name = "free"
kind = "sweep"
mode = 0
low = "-4 deg"
high = "4 deg"
frequency = "0.05 Hz"
lowpass = "4 Hz"
resistance_between = ["-5 deg", "12 deg"]
usable_load = "3 N*m"
"""
HOLD = """[[block]]
name = "held"
kind = "hold"
mode = 1
load = "60 N*m"
least_time = "1 min"
report_at = ["1 min", "10 min"]
"""
STANCE = """[[block]]
name = "stood"
kind = "stance"
mode = 1
load_min = "28 N*m"
load_max = "32 N*m"
"""
PROOF = """[[block]]
name = "strength"
kind = "proof"
mode = 1
load = "110 N*m"
settling_load = "5 N*m"
tolerance = "1 %"
loading_rate = ["5 N*m/s", "20 N*m/s"]
hold_time = "30 s"
hold_tolerance = "3 s"
settling_time = "10 s"
"""


def log_of(rng: np.random.Generator, load: Floats, motion: Floats, bad: np.ndarray, mode: int) -> Log:
    """Rows of a log at 50 Hz, with noise of sensors."""
    n = load.size
    noise, one = rng.standard_normal((2, n)), np.ones(n)
    return Log(
        np.arange(n) / RATE, load + 0.02 * noise[0], motion + 0.002 * noise[1], 21.0 * one, one, mode * one, bad
    )


def sweep(rng: np.random.Generator, broken: bool) -> Log:
    """Five sweeps of +-14 deg in 20 s; a catch of 0.3 to 4 s, forward and clear of the stops, in one of the middle."""
    at = np.arange(5 * 1000)
    part = (at / 1000) % 1
    motion, way = -14 + 28 * (1 - np.abs(2 * part - 1)), np.where(part < 0.5, 1.0, -1.0)
    bad = np.zeros(at.size, bool)
    first = np.flatnonzero((at // 1000 == rng.integers(1, 4)) & (motion > rng.uniform(-3, 5)) & (way > 0))[0]
    bad[first : first + rng.integers(14, 200)] = broken
    return log_of(rng, 0.8 * way + 0.03 * motion + 2.5 * bad, motion, bad, 0)


def hold(rng: np.random.Generator, broken: bool) -> Log:
    """11 min at 60 N*m; the lock slips by 0.3 deg and stays there."""
    time = np.arange(round(680 * RATE)) / RATE
    load = np.interp(time, [0, 2, 4, 674, 676, 680], [0, 0, 60, 60, 0, 0])
    slipped = time > rng.uniform(80, 500) if broken else np.zeros(time.size, bool)
    motion = load / 20 + 0.02 * np.log10(1 + np.clip(time - 4, 0, 670) / 5) * (load > 1) + 0.3 * slipped
    return log_of(rng, load, motion, slipped & (time < 674), 1)


def stance(rng: np.random.Generator, broken: bool) -> Log:
    """30 s at 30 N*m; the lock slips by 0.4 deg inside the window of 8 s; all rows until the load goes show it."""
    time = np.arange(round(40 * RATE)) / RATE
    load = np.interp(time, [0, 3, 5, 35, 37, 40], [0, 0, 30, 30, 0, 0])
    slipped = time > rng.uniform(8.0, 12.0) if broken else np.zeros(time.size, bool)
    return log_of(rng, load, load / 20 + 0.4 * slipped, slipped & (time < 35.2), 1)


def proof(rng: np.random.Generator, broken: bool) -> Log:
    """30 s at 110 N*m; a weld cracks: the load drops by 30 N*m while the motion goes on, and stays down."""
    time = np.arange(round(90 * RATE)) / RATE
    load = np.interp(time, [0, 15, 25.5, 56.5, 67, 90], [5, 5, 110, 110, 5, 5])
    motion = load / 20
    dropped = time > rng.uniform(30, 50) if broken else np.zeros(time.size, bool)
    load = np.where(dropped & (time < 56.5), load - 30, np.where(dropped, np.minimum(load, 80.0), load))
    return log_of(rng, load, motion + 0.3 * dropped, dropped & (time < 56.5), 1)


@dataclass(frozen=True)
class Kind:
    """A kind of test: what it is drawn by, its section of a plan, its limit."""

    draw: Callable[[np.random.Generator, bool], Log]
    plan: str
    limit: str


KINDS = {
    "sweep": Kind(sweep, SWEEP, "resistance, free"),
    "hold": Kind(hold, HOLD, "creep in 10 min, locked"),
    "stance": Kind(stance, STANCE, "drift, stood on"),
    "proof": Kind(proof, PROOF, "sudden drops, proof"),
}
# One channel holds its last good value, or is clipped below what offends.
OF_ONE: dict[str, Spoil] = {
    "load held over it": partial(held, name="load"),
    "load clipped": partial(clipped, name="load"),
    "motion held over it": partial(held, name="motion"),
    "motion clipped": partial(clipped, name="motion"),
}
WAYS: dict[str, Spoil] = SPOILS | OF_ONE | {"(not spoiled)": lambda log, rng: log.lines()}
# A locked joint that stands still is what a good lock looks like: a motion that rests until its window ends is one.
GOOD_LOCK = {(kind, way) for kind in ("hold", "stance") for way in ("motion held over it", "motion clipped", "stuck")}


def drawn(rng: np.random.Generator, kind: Kind, way: str, folder: Path, *, broken: bool) -> str:
    """Verdict on one drawn run."""
    log = kind.draw(rng, broken)
    lines = WAYS[way](log, rng) if broken else log.lines()
    cut = sorted(rng.integers(1, len(lines), int(rng.integers(0, 3))).tolist())
    pieces = [lines[a:b] for a, b in zip([0, *cut], [*cut, len(lines)], strict=True) if b > a]
    plan = HEAD.format(limits='["limits.toml"]') + kind.plan
    run = load_run(write_run(folder, pieces, plan=plan, limits=LIMITS.read_text()))
    try:
        work(run)
    except InputError:
        return "refused"
    store = RunStore(run.store, run.name)
    rows = store.read(store.manifest(), "verdicts").to_pylist()
    (row,) = (row for row in rows if row["limit"] == kind.limit)
    return str(row["verdict"])


def combinations() -> list[tuple[str, str]]:
    """Kinds and ways to spoil them, and each kind sound."""
    pairs = [(kind, way) for way in WAYS for kind in KINDS if (kind, way) not in GOOD_LOCK]
    return pairs + [(kind, "(sound)") for kind in KINDS]


def one(i: int) -> tuple[str, str, str]:
    """Kind of the i-th run, how it was spoiled and its verdict."""
    pairs = combinations()
    kind, way = pairs[i % len(pairs)]
    with tempfile.TemporaryDirectory() as folder:
        rng = np.random.default_rng([SEED, i])
        return kind, way, drawn(rng, KINDS[kind], way, Path(folder) / "run", broken=way != "(sound)")


def main(runs: int = 1100, processes: int = 2) -> None:
    """Print the table."""
    with ProcessPoolExecutor(processes) as pool:
        found = list(pool.map(one, range(runs), chunksize=4))
    verdicts = ("pass", "inconclusive", "fail", "not evaluated", "refused")
    print("| spoiled by | kind | runs | " + " | ".join(verdicts) + " |\n" + "|---" * 8 + "|")
    for kind, way in sorted(set(combinations()), key=lambda pair: [*WAYS, "(sound)"].index(pair[1])):
        count = Counter(verdict for k, w, verdict in found if (k, w) == (kind, way))
        if count:
            print(f"| {way} | {kind} | {count.total()} | " + " | ".join(str(count[v]) for v in verdicts) + " |")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
