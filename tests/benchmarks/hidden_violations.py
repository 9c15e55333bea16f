"""Runs in which samples that break a limit were spoiled: not one may pass.

``python -m tests.benchmarks.hidden_violations [RUNS]``.

Each run is drawn: one to three bad cycles of 120 to 240, one of eight limits that no cycle may break, one of the ways
to spoil exactly the rows that show it. The generator shares no code with the package. A Markdown table is printed.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.benchmarks.drawn_runs import PLAN, SPOILS, clipped, cycling, held, write_run

SEED = 20260
# Name → (measure, statistic, operator, limit), how the bad cycle differs, and which of its rows show it.
LIMITS = {
    "peak_load": ("max", "<=", "85 N*m", {"peak": 95.0}, lambda log: log.load > 82.0),
    "valley_load": ("min", ">=", "2 N*m", {"valley": -4.0}, lambda log: log.load < 4.0),
    "motion_max": ("max", "<=", "4.4 deg", {"shift": 0.8}, lambda log: log.motion > 4.1),
    "motion_min": ("min", ">=", "0 deg", {"shift": -0.6}, lambda log: log.motion < 0.2),
    "motion_range": ("max", "<=", "4.2 deg", {"peak": 92.0}, lambda log: log.load > 82.0),
    "energy_j": ("max", "<=", "0.7 J", {"phase": 0.4}, lambda log: np.ones(len(log), bool)),
    "secant_stiffness": ("min", ">=", "18 N*m/deg", {"stiffness": 14.0}, lambda log: np.ones(len(log), bool)),
    "loss_factor": ("max", "<=", "0.3 1", {"phase": 0.5}, lambda log: np.ones(len(log), bool)),
}

# One channel, that of the limit, stays below what offends: in one to three cycles, or in all of them.
OF_ONE = {
    "held over it": held, "flickers over it": partial(held, flicker=1e-4), "clipped": clipped, "all clipped": clipped,
}  # fmt: skip
WAYS = (*SPOILS, *OF_ONE, "(sound)")


def limits_text(measure: str, statistic: str, operator: str, value: str) -> str:
    return (
        f'name = "own"\nbasis = "invented"\n[[limit]]\nname = "never"\nblock = "durability"\nmeasure = "{measure}"\n'
        f'statistic = "{statistic}"\noperator = "{operator}"\nvalue = "{value}"\nsource = "invented"\n'
    )


def drawn(rng: np.random.Generator, measure: str, how: str, folder: Path, *, sound: bool = False) -> str:
    """Verdict on one drawn run."""
    statistic, operator, value, change, shows = LIMITS[measure]
    count = int(rng.integers(120, 240))
    cycles = [] if sound else rng.choice(np.arange(20, count - 20), int(rng.integers(1, 4)), replace=False).tolist()
    if how == "all clipped":
        cycles = list(range(count))
    log = cycling(rng, count, change=dict.fromkeys(cycles, change))
    log.bad &= shows(log)
    if how in OF_ONE:
        lines = OF_ONE[how](log, rng, "motion" if measure.startswith("motion") else "load")
    else:
        lines = log.lines() if sound else SPOILS[how](log, rng)
    stuck = "stuck_after = 4" if how == "stuck" else ""
    cut = sorted(rng.integers(1, len(lines), int(rng.integers(0, 3))).tolist())
    pieces = [lines[a:b] for a, b in zip([0, *cut], [*cut, len(lines)], strict=True) if b > a]
    limits = limits_text(measure, statistic, operator, value)
    plan = write_run(folder, pieces, plan=PLAN.format(limits='["limits.toml"]'), limits=limits, stuck=stuck)
    run = load_run(plan)
    work(run)
    store = RunStore(run.store, run.name)
    (row,) = store.read(store.manifest(), "verdicts").to_pylist()
    return str(row["verdict"]) if row["verdict"] != "pass" else f"pass: {row['used']} of {row['of']}; {row['left_out']}"


def one(i: int) -> tuple[str, str, str]:
    """How the i-th run was spoiled, its limit and its verdict."""
    measure, how = list(LIMITS)[i % len(LIMITS)], WAYS[(i // len(LIMITS)) % len(WAYS)]
    with tempfile.TemporaryDirectory() as folder:
        rng = np.random.default_rng([SEED, i])
        return how, measure, drawn(rng, measure, how, Path(folder) / "run", sound=how == "(sound)")


def main(draws: int) -> int:
    """Print how each way to spoil ended."""
    table: dict[str, Counter[str]] = {how: Counter() for how in WAYS}
    passed = []
    with ProcessPoolExecutor(2) as pool:
        for i, (how, measure, verdict) in enumerate(pool.map(one, range(draws), chunksize=8)):
            table[how][verdict.partition(":")[0]] += 1
            if verdict.startswith("pass") and how != "(sound)":
                passed.append(f"draw {i}, {measure}, {how}: {verdict}")
    print("| spoiled by | runs | pass | inconclusive | fail | not evaluated |\n|---|---|---|---|---|---|")
    for how, found in table.items():
        cells = (found[v] for v in ("pass", "inconclusive", "fail", "not evaluated"))
        print(f"| {how} | {found.total()} | {' | '.join(map(str, cells))} |")
    print(*passed, sep="\n")
    return int(bool(passed))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1100))
