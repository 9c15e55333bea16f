"""Does the room of drift reach its bars? Simulated runs of two million cycles, night by night.

    python -m tests.benchmarks.drift_study [healthy] [faulty] [processes] [cell ...]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from benchpipe.drift.bins import RunBins
from benchpipe.drift.watch import Watch
from benchpipe.drift.watched import CYCLIC, DriftBlock, Watched
from tests.benchmarks import drift_runs as runs
from tests.benchmarks.drift_runs import DAY_S, HOUR_S, Hours, Wear

NOISES = ("AR", "1/f")


def watched(count: int) -> tuple[Watched, ...]:
    """So many measures whose zero means something."""
    return tuple(Watched(f"measure_{i}") for i in range(count)) if count > 0 else CYCLIC


def days_of(hours: Hours, rng: np.random.Generator, block: DriftBlock) -> Iterator[RunBins]:
    """Hourly bins, a day at a time; the scatter from cycle to cycle is 0.3 %, read to 2 % in an hour."""
    q = len(block.watched)
    scatter = 0.15 * np.exp(0.02 * rng.standard_normal((q, hours.first.size)))
    day = (hours.start_s // DAY_S).astype(int)
    cell_day = (hours.cell_s // DAY_S).astype(int)
    for d in range(day[0], day[-1] + 1):
        k = day == d
        c = cell_day == d
        yield RunBins(
            tuple(w.name for w in block.watched), HOUR_S, (hours.start_s[k] // HOUR_S).astype(np.int64),
            hours.first[k], hours.last[k], hours.start_s[k], hours.start_s[k] + hours.count[k],
            hours.count[k].astype(np.int64), np.ones(int(k.sum())), np.tile(hours.count[k], (q, 1)),
            hours.mean[:, k], hours.mean[:, k], scatter[:, k], np.ones(int(k.sum()), bool),
            hours.cell_s[c], hours.cell_c[c], np.zeros(0), (), d,
        )  # fmt: skip


@dataclass(frozen=True)
class Cell:
    """What is drawn in one row: fault, its size, noise, measures that are watched and that the fault moves."""

    fault: str
    size: float
    noise: str
    measures: int = 20
    moved: int = 2


def wears_of(cell: Cell, rng: np.random.Generator) -> tuple[list[Wear], float]:
    """Wear of each measure, and the cycle of the fault."""
    at = rng.uniform(3.0, 20.0 if cell.fault == "step" else 15.0) * DAY_S
    make = {"none": runs.no_wear, "step": runs.step(at, cell.size), "slope": runs.slope(at, cell.size)}[cell.fault]
    return [make if i < cell.moved else runs.no_wear for i in range(cell.measures)], at


def watch_run(cell: Cell, seed: int) -> tuple[list[tuple[int, float, str, float, float]], float, float]:
    """Alarms of a run (night's end [s], place [s], kind, size, score), when the fault came [s], CPU [s]."""
    rng = np.random.default_rng([seed, *map(ord, cell.fault + cell.noise), int(1e5 * abs(cell.size)), cell.measures])
    block = DriftBlock("cycling", runs.CYCLES, 1.0, watched(cell.measures))
    wears, at = wears_of(cell, rng)
    hours = runs.hours_of(wears, rng, noise=cell.noise)
    fault_s = float(np.interp(at, hours.first, hours.start_s))
    watch = Watch.begun(block)
    alarms = []
    begun = time.process_time()
    known: set[int] = set()
    for day in days_of(hours, rng, block):
        watch = watch.after(block, day, ())
        end = (day.day + 1) * DAY_S
        for event in watch.events:
            if event.alarm and event.number not in known:
                known.add(event.number)
                alarms.append((end, event.time_s, event.kind, event.size, event.score, event.measure, event.of))
    return alarms, fault_s, time.process_time() - begun


def main(healthy: int = 20, faulty: int = 20, processes: int = 2) -> None:
    cells = [Cell("none", 0.0, n) for n in NOISES] + [
        Cell("step", s, n) for n in NOISES for s in (0.01, 0.005)
    ] + [Cell("slope", -0.05, n) for n in NOISES]
    with ProcessPoolExecutor(processes) as pool:
        for cell in cells:
            n = healthy if cell.fault == "none" else faulty
            found = list(pool.map(watch_run, [cell] * n, range(n)))
            cpu = np.mean([f[2] for f in found])
            if cell.fault == "none":
                print(cell, f"any alarm {np.mean([bool(f[0]) for f in found]):.3f} cpu {cpu:.2f}", flush=True)
                for f in found:
                    for a in f[0]:
                        print("   ", [x if isinstance(x, str) else round(float(x), 4) for x in a])
            else:
                hit, late, off, extra = [], [], [], 0
                for alarms, fault_s, _ in found:
                    true = [a for a in alarms if a[0] > fault_s and abs(a[1] - fault_s) < (1 if cell.fault == "step" else 5) * DAY_S]
                    extra += len(alarms) - bool(true)
                    hit.append(bool(true))
                    if true:
                        late.append((true[0][0] - fault_s) / DAY_S)
                        off.append(abs(true[0][1] - fault_s) / HOUR_S)
                late, off = np.array(late or [np.nan]), np.array(off or [np.nan])
                print(cell, f"found {np.mean(hit):.3f} within 1d {np.sum(late<=1)/n:.3f} 2d {np.sum(late<=2)/n:.3f} delay med {np.median(late):.2f} p90 {np.quantile(late,.9):.2f} placed h med {np.median(off):.2f} p90 {np.quantile(off,.9):.2f} other alarms {extra} cpu {cpu:.2f}", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]))
