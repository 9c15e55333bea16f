"""Does the room of drift reach its bars? Simulated runs of two million cycles, night by night.

    python -m tests.benchmarks.drift_study [healthy] [faulty] [processes] [events|lives]

All data are invented (`drift_runs`); the generators share no law with the room. 20 measures are watched, level and
scatter of each; a fault moves two of them. Printed as Markdown: false alarms, what is found and when, the change since
baseline of the last day, time to limit, and one cell of runs whose every cycle is drawn.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import inf, nan
from typing import Any

import numpy as np

from benchpipe.drift.bins import RunBins
from benchpipe.drift.changes import level_of
from benchpipe.drift.forecast import forecast
from benchpipe.drift.history import history_of
from benchpipe.drift.measures import Watched
from benchpipe.drift.night import drift_night
from benchpipe.drift.watch import Watch
from benchpipe.drift.watched import CycleColumns, DriftBlock, DriftLimit
from tests.benchmarks import drift_runs as runs
from tests.benchmarks.drift_runs import DAY_S, HOUR_S, Hours, Wear

NOISES = ("AR", "1/f")
MEASURES, MOVED = 20, 2
LIMIT = -0.10
BASE = (200_000, 286_400)
LIVES = (0.5, 0.6, 0.7, 0.8, 0.9)


def watched(count: int) -> tuple[Watched, ...]:
    """So many measures whose zero means something."""
    return tuple(Watched(f"measure_{i}") for i in range(count))


def days_of(hours: Hours, rng: np.random.Generator, block: DriftBlock) -> Iterator[RunBins]:
    """Hourly bins, a day at a time; the scatter from cycle to cycle is 0.3 %, read to 2 % in an hour."""
    q = len(block.watched)
    scatter = 0.15 * np.exp(0.02 * rng.standard_normal((q, hours.first.size)))
    day, cell_day = (hours.start_s // DAY_S).astype(int), (hours.cell_s // DAY_S).astype(int)
    for d in range(day[0], day[-1] + 1):
        k, c = day == d, cell_day == d
        yield RunBins(
            tuple(w.name for w in block.watched), HOUR_S, (hours.start_s[k] // HOUR_S).astype(np.int64),
            hours.first[k], hours.last[k], hours.start_s[k], hours.start_s[k] + hours.count[k],
            hours.count[k].astype(np.int64), np.ones(int(k.sum())), np.tile(hours.count[k], (q, 1)),
            hours.mean[:, k], hours.mean[:, k], scatter[:, k], np.ones(int(k.sum()), bool),
            hours.cell_s[c], hours.cell_c[c], np.zeros(0), (), d,
        )  # fmt: skip


@dataclass(frozen=True)
class Cell:
    """What is drawn in one row: fault, its size, and the noise."""

    fault: str
    size: float
    noise: str

    def rng(self, seed: int) -> np.random.Generator:
        return np.random.default_rng([seed, *map(ord, self.fault + self.noise), int(1e5 * abs(self.size))])


def watch_run(cell: Cell, seed: int) -> dict[str, Any]:
    """Alarms of a run, how late and how far off the fault was found, its last day's change, CPU time."""
    rng = cell.rng(seed)
    block = DriftBlock("cycling", runs.CYCLES, 1.0, watched(MEASURES))
    at = rng.uniform(3.0, 15.0 if cell.fault == "slope" else 20.0) * DAY_S
    step, slope = runs.step(at, cell.size), runs.slope(at, cell.size)
    fault: Wear = {"none": runs.no_wear, "step": step, "slope": slope}[cell.fault]
    wears = [fault if i < MOVED else runs.no_wear for i in range(MEASURES)]
    hours = runs.hours_of(wears, rng, noise=cell.noise)
    fault_s = float(np.interp(at, hours.first, hours.start_s))
    near = (1 if cell.fault == "step" else 5) * DAY_S
    watch, begun, slowest = Watch.begun(block), time.process_time(), 0.0
    late, off, others, known = inf, nan, 0, set()
    for day in days_of(hours, rng, block):
        night = time.process_time()
        watch = watch.after(block, day, ())
        slowest = max(slowest, time.process_time() - night)
        for event in watch.events:
            if not event.alarm or event.number in known:
                continue
            known.add(event.number)
            end = (day.day + 1) * DAY_S
            if cell.fault != "none" and late == inf and end > fault_s and abs(event.time_s - fault_s) < near:
                late, off = (end - fault_s) / DAY_S, abs(event.time_s - fault_s) / HOUR_S
            else:
                others += 1
    return {
        "late": late, "off": off, "others": others, "cpu": time.process_time() - begun, "night": slowest,
        **_last_day(block, watch, hours),
    }  # fmt: skip


def _last_day(block: DriftBlock, watch: Watch, hours: Hours) -> dict[str, Any]:
    """Errors of the change of the last day since a fixed baseline, raw and corrected, and whether it is covered."""
    history = history_of(block, watch.bins)
    inside = (hours.first >= BASE[0]) & (hours.last <= BASE[1])
    last = hours.start_s >= hours.start_s[-1] - 23 * HOUR_S
    errors, raws, covered = [], [], []
    for i in range(0, MEASURES, 4):
        level = level_of(block, history, f"measure_{i}", watch.events, (), BASE)
        truth = hours.level[i, last].mean() - hours.level[i, inside].mean()
        if level is None or not np.isfinite(level.change.change):
            continue
        raws.append((hours.mean[i, last].mean() - hours.mean[i, inside].mean()) / 50 - truth)
        errors.append(level.change.change - truth)
        covered.append(level.change.low <= truth <= level.change.high)
    return {"errors": errors, "raws": raws, "covered": covered}


def life_run(cell: Cell, seed: int) -> dict[float, tuple[bool, bool, bool]]:
    """Is the crossing of the limit inside its interval, earlier, later, at each part of the life."""
    rng = cell.rng(seed)
    wear = runs.wear_to_limit(cell.fault, rng.uniform(0.8e6, 1.9e6), LIMIT, rng)
    hours = runs.hours_of([wear], rng, noise=cell.noise)
    block = DriftBlock("cycling", runs.CYCLES, 1.0, watched(1))
    base = sum(BASE) / 2
    cycles = np.linspace(0.0, 3e6, 30_001)
    truth = cycles[np.argmax(wear(cycles) - wear(np.array([base]))[0] <= LIMIT)]
    bins, made = Watch.begun(block).bins, {}
    for day in days_of(hours, rng, block):
        bins = bins.joined(day)
        part = float(bins.last[-1] / truth)
        for life in LIVES:
            if life <= part < life + 0.1 and life not in made:
                found = forecast(block, history_of(block, bins), DriftLimit("measure_0", LIMIT), base, [])
                made[life] = (found.low <= truth <= found.high, truth < found.low, truth > found.high)
    return made


def cycles_run(cell: Cell, seed: int) -> dict[str, Any]:
    """A run whose every cycle is drawn: 200,000 cycles at 0.1 Hz, three measures, a step in one of them."""
    rng = cell.rng(seed)
    n, rate = 200_000, 0.1
    block = DriftBlock("cycling", n, rate, watched(3))
    at = rng.uniform(0.2, 0.8) * n
    wears = [runs.step(at, cell.size) if cell.size else runs.no_wear, runs.no_wear, runs.no_wear]
    course = runs.course_of(rng, n, stops=False, rate_hz=rate)
    number = np.arange(1, n + 1)
    start = course.time_s[0] - 300 + (number - 1) / rate
    values = {}
    for i, wear in enumerate(wears):
        body = np.interp(start, course.time_s, course.body_k)
        slow = np.interp(start, course.time_s, runs.first_order(course.time_s.size, rng.uniform(6, 72), rng))
        level = 1 + runs.run_in(rng)(number * 10.0) + wear(number)
        values[f"measure_{i}"] = 50 * (
            level * np.exp(rng.uniform(-0.007, -0.003) * body) + runs.SLOW * slow + 0.003 * rng.standard_normal(n)
        )
    logged = np.interp(start, course.time_s, course.logged_c)
    columns = CycleColumns(number, (start * 1e6).astype(np.int64), np.full(n, 1 / rate), values, logged)
    result = drift_night(block, columns, complete=True)
    alarms = [row for row in result.events if row["alarm"]]
    true = [row for row in alarms if cell.size and abs(row["cycle"] - at) < DAY_S * rate]
    late = (true[0]["seen_until_us"] / 1e6 - start[int(at) - 1]) / DAY_S if true else inf
    off = abs(true[0]["cycle"] - at) / rate / HOUR_S if true else nan
    return {"late": late, "off": off, "others": len(alarms) - len(true[:1])}


def percent(values: Any) -> str:
    """Share of a list, in %."""
    return f"{100 * float(np.mean(values)):.1f}" if len(values) else "-"


def events_row(name: str, found: list[dict[str, Any]]) -> str:
    """One row of the table of events."""
    late = np.array([f["late"] for f in found])
    hit = np.isfinite(late)
    off = np.array([f["off"] for f in found])[hit]
    delay = f"{np.median(late[hit]):.2f}, {np.quantile(late[hit], 0.9):.2f}" if hit.any() else "-"
    placed = f"{np.median(off):.1f}, {np.quantile(off, 0.9):.1f}" if hit.any() else "-"
    shares = " | ".join(percent(part) for part in (hit, late <= 1, late <= 2))
    others = percent([f["others"] > 0 for f in found])
    return f"| {name} | {len(found)} | {shares} | {delay} | {placed} | {others} |"


def main(healthy: int = 20, faulty: int = 10, processes: int = 2, part: str = "") -> None:
    """Print the tables, a row as soon as it is known."""
    with ProcessPoolExecutor(processes) as pool:

        def every(job: Callable[[Cell, int], Any], cell: Cell, n: int) -> list[Any]:
            return list(pool.map(job, [cell] * n, range(n)))

        if part != "lives":
            _events(every, healthy, faulty)
        if part != "events":
            _lives(every, faulty)


def _events(every: Callable[[Callable[[Cell, int], Any], Cell, int], list[Any]], healthy: int, faulty: int) -> None:
    """False alarms, what is found and when, and the change of the last day."""
    cells = [Cell("none", 0.0, noise) for noise in NOISES]
    cells += [Cell("step", size, noise) for size in (0.03, 0.01, 0.005) for noise in NOISES]
    cells += [Cell("slope", -0.05, noise) for noise in NOISES]
    head = "found % | in 1 d % | in 2 d % | delay d (median, 90 %) | placed h (median, 90 %) | any other alarm %"
    print(f"| fault | runs | {head} |\n|" + "---|" * 8, flush=True)
    levels: dict[str, list[dict[str, Any]]] = {noise: [] for noise in NOISES}
    cpu: list[tuple[float, float]] = []
    for cell in cells:
        found = every(watch_run, cell, healthy if cell.fault == "none" else faulty)
        cpu += [(f["cpu"], f["night"]) for f in found]
        if cell.fault == "none":
            levels[cell.noise] += found
        size = f" {100 * cell.size:g} %" if cell.size else ""
        name = f"{cell.fault}{size}{'/M' if cell.fault == 'slope' else ''}"
        print(events_row(f"{name}, {cell.noise}", found), flush=True)
    for size in (0.0, 0.01):
        found = every(cycles_run, Cell("cycles", size, "AR"), max(faulty // 2, 2))
        print(events_row(f"every cycle drawn, step {100 * size:g} %", found), flush=True)
    print(f"\nCPU of 20 measures: a whole history {np.mean([c for c, _ in cpu]):.2f} s, its slowest look "
          f"{np.mean([n for _, n in cpu]):.2f} s.\n")  # fmt: skip
    print("| last day's change, noise | n | error % (95th percentile) | raw | covered % (95) |\n|" + "---|" * 5)
    for noise, found in levels.items():
        errors, raws = (np.abs(np.concatenate([f[k] for f in found])) for k in ("errors", "raws"))
        covered = np.concatenate([f["covered"] for f in found])
        print(f"| {noise} | {errors.size} | {100 * np.quantile(errors, 0.95):.2f} | "
              f"{100 * np.quantile(raws, 0.95):.2f} | {percent(covered)} |", flush=True)  # fmt: skip
    print()


def _lives(every: Callable[[Callable[[Cell, int], Any], Cell, int], list[Any]], faulty: int) -> None:
    """Time to limit."""
    print("| time to limit, wear | runs | covered % (90) at 50, 60, 70, 80, 90 % of the life | all | "
          "truth earlier % | later % |\n|" + "---|" * 6)  # fmt: skip
    whole: list[tuple[bool, bool, bool]] = []
    for kind in runs.WEARS:
        found = [f for noise in NOISES for f in every(life_run, Cell(kind, 0.0, noise), faulty)]
        parts = [percent([f[life][0] for f in found if life in f]) for life in LIVES]
        rows = [row for f in found for row in f.values()]
        whole += rows
        print(f"| {kind} | {len(found)} | {', '.join(parts)} | "
              f"{' | '.join(percent([r[k] for r in rows]) for k in range(3))} |", flush=True)  # fmt: skip
    print(f"| all | | | {' | '.join(percent([r[k] for r in whole]) for k in range(3))} |")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]), *sys.argv[4:5])
