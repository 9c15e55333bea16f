"""Where the thresholds of `benchpipe.drift.threshold` come from: largest scores of whole runs without an event.

    python -m tests.benchmarks.drift_threshold [runs a noise] [processes]

Each run has 23 nights of 24 hourly bins, 20 series of pure noise, and a thermometer that swings. What the columns of
the regression can follow (run-in, wear, warmth) drops out of the scores, so none is drawn. All data are invented.
Printed: quantiles of the largest score of a run, and A and κ of a tail A × nights × exp(−c²/2κ²) through the quantiles
80 to 99.5 %.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from benchpipe.drift.history import history_of
from benchpipe.drift.looks import LookTable, series_of
from benchpipe.drift.watch import Watch
from benchpipe.drift.watched import DriftBlock
from tests.benchmarks import drift_runs as runs
from tests.benchmarks.drift_study import days_of, watched

SERIES = 20
NOISES = ("1/f", "AR 4 h half", "AR 12 h", "AR 1 h", "white")
QUANTILES = (0.8, 0.9, 0.95, 0.98, 0.99, 0.995)


def noise_of(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Noise of n cells of 10 min."""
    white = rng.standard_normal(n)
    if kind == "white":
        return white
    if kind == "1/f":
        return runs.flicker(n, rng) + 0.5 * white
    slow = runs.first_order(n, 6 * float(kind.split()[1]), rng)
    return slow + (np.sqrt(6) * white if kind.endswith("half") else 0.3 * white)


def largest(kind: str, seed: int) -> np.ndarray:
    """Largest scores up to each night, shape (nights, series, 2): steps and slopes."""
    rng = np.random.default_rng([seed, *map(ord, kind)])
    block = DriftBlock("cycling", runs.CYCLES, 1.0, watched(SERIES))
    hours = runs.hours_of([runs.no_wear] * SERIES, rng, slow=0.0, white=0.0)
    cells = int((hours.start_s[-1] - hours.start_s[0]) / 600) + 12
    at = ((hours.start_s - hours.start_s[0]) / 600).astype(int)
    for i in range(SERIES):
        x = noise_of(kind, cells, rng)
        hours.mean[i] = 50 * (1 + 0.001 * np.array([x[a : a + 6].mean() for a in at]))
    watch, found = Watch.begun(block), []
    bins = watch.bins
    for day in days_of(hours, rng, block):
        bins = bins.joined(day)
        history = history_of(block, bins)
        series = [one for one in series_of(block, history, ()) if one.of == "level"]
        if not series:
            found.append(np.zeros((SERIES, 2)))
            continue
        chart = LookTable.made(history, series, ())
        row = np.zeros((SERIES, 2))
        for i, one in enumerate(series):
            row[i] = chart.largest(one)
        found.append(row)
    return np.maximum.accumulate(np.array(found), axis=0)[[4, 10, 20]]


def tail(scores: np.ndarray, nights: int) -> tuple[float, float]:
    """A and κ: a line through ln(1 − q) against c²."""
    c = np.quantile(scores, QUANTILES)
    inverse, start = np.polyfit(c**2, np.log(1 - np.array(QUANTILES)), 1)
    return float(np.exp(start)) / nights, float(np.sqrt(-0.5 / inverse))


def main(draws: int = 100, processes: int = 1) -> None:
    """Print the table."""
    head = " | ".join(f"{100 * q:g} %" for q in QUANTILES)
    print(f"| noise | nights | of | {head} | A | κ |\n|" + "---|" * (5 + len(QUANTILES)), flush=True)
    with ProcessPoolExecutor(processes) as pool:
        for kind in NOISES:
            made = np.array(list(pool.map(largest, [kind] * draws, range(draws))))
            for j, of in enumerate(("step", "slope")):
                for i, nights in enumerate((5, 11, 21)):
                    z = made[:, i, :, j].ravel()
                    row = " | ".join(f"{c:.2f}" for c in np.quantile(z, QUANTILES))
                    a, wide = tail(z, nights)
                    print(f"| {kind} | {nights} | {of} | {row} | {a:.3g} | {wide:.2f} |", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
