"""How often does an item exactly at its limit pass? Budgets, extremes and exceptions, by drawing.

    python -m tests.benchmarks.guards [draws]

All data are invented, each cell with a seed of its own. The promise is 2.28 %; the standard error of a cell at 20,000
draws is 0.11 %. Each table is Markdown.
"""

from __future__ import annotations

import sys
from math import inf, sqrt

import numpy as np

from benchpipe.check.budget import Budget, BudgetPart, few_values
from benchpipe.check.extremes import exception_guards, largest_lower, largest_upper

U95 = 0.95
OF_EXTREMES = (
    (0.0, 0.0, inf), (1.0, 0.0, inf), (0.0, 0.0, 10.0), (0.0, 1.5, inf), (1.0, 1.5, inf), (0.0, 1.5, 10.0),
    (0.0, 5.0, inf),
)  # fmt: skip
"""True scatter and shared error in u of a reading, and the degrees of freedom of u."""


def scatter_beside_known(draws: int) -> None:
    """Mean of n values beside a known part: Welch-Satterthwaite, and each part expanded first."""
    print("| n | u_B/u_A | WS: false pass % | WS: cover % | parts first: false pass % | parts first: cover % |")
    print("|---|---|---|---|---|---|")
    for n in (2, 3, 4, 5, 7, 10):
        for ratio in (0.0, 0.3, 0.5, 1.0, 2.0):
            rng = np.random.default_rng([1, n, int(10 * ratio)])
            values = rng.standard_normal((draws, n))
            scatter, known = values.std(axis=1, ddof=1) / sqrt(n), ratio / sqrt(n)
            read = values.mean(axis=1) + known * rng.standard_normal(draws)
            grid = np.quantile(scatter, np.linspace(0.0, 1.0, 1_001))
            budgets = [Budget((BudgetPart("a", s, n - 1.0, "A"), BudgetPart("b", known))) for s in grid]
            cells = []
            for few in (False, True):
                guard = np.interp(scatter, grid, [b.guard(few=few) for b in budgets])
                half = np.interp(scatter, grid, [b.expanded(U95, few=few) for b in budgets])
                cells += [100 * np.mean(read >= guard), 100 * np.mean(np.abs(read) <= half)]
            print(f"| {n} | {ratio} | " + " | ".join(f"{c:.2f}" for c in cells) + " |", flush=True)


def few(draws: int) -> None:
    """Mean and median of a few values with scatter alone."""
    print("\n| n | mean: false pass % | mean: cover % | median: false pass % | median: cover % |")
    print("|---|---|---|---|---|")
    for n in (2, 3, 4, 5, 7, 10):
        values = np.random.default_rng([2, n]).standard_normal((draws, n))
        unit = Budget((BudgetPart("unit", 1.0, n - 1.0),))
        cells = []
        for statistic in ("mean", "median"):
            read = values.mean(axis=1) if statistic == "mean" else np.median(values, axis=1)
            u = np.array([few_values(row, statistic).u for row in values])  # type: ignore[arg-type]
            cells += [100 * np.mean(read >= unit.guard(few=True) * u)]
            cells += [100 * np.mean(np.abs(read) <= unit.expanded(U95, few=True) * u)]
        print(f"| {n} | " + " | ".join(f"{c:.2f}" for c in cells) + " |", flush=True)


def extremes(draws: int) -> None:
    """The largest of n readings, with and without an error that all share."""
    print("\n| n | true scatter/u | shared/u | dof | above: misses % | below: misses % | below as RSS: misses % |")
    print("|---|---|---|---|---|---|---|")
    for n in (2, 3, 5, 10, 100, 1_000):
        for scatter, shared_u, dof in OF_EXTREMES:
            rng = np.random.default_rng([3, n, int(10 * scatter), int(10 * shared_u), dof < inf])
            largest, seen = _extremes(rng, draws, n, scatter)
            seen = seen + shared_u * rng.standard_normal(draws)
            u = np.sqrt(rng.chisquare(dof, draws) / dof) if dof < inf else np.ones(draws)
            shared = Budget((BudgetPart("b", shared_u),)).guard(few=False)
            grid, zeros = np.linspace(u.min(), u.max(), 30), np.zeros(n)
            above = np.interp(u, grid, [largest_upper(zeros, g, dof, shared=shared) for g in grid])
            below = np.interp(u, grid, [largest_lower(zeros, g, dof, shared=shared) for g in grid])
            joined = np.hypot(largest_lower(zeros, 1.0, dof) * u, shared)
            cells = [np.mean(largest > seen + above), np.mean(largest < seen - below), np.mean(largest < seen - joined)]
            text = " | ".join(f"{100 * c:.2f}" for c in cells)
            print(f"| {n} | {scatter:g} | {shared_u:g} | {dof:g} | {text} |", flush=True)


def _extremes(rng: np.random.Generator, draws: int, n: int, scatter: float) -> tuple[np.ndarray, np.ndarray]:
    """Largest true value and largest reading, a thousand draws at a time."""
    parts = []
    for start in range(0, draws, 1_000):
        true = scatter * rng.standard_normal((min(1_000, draws - start), n))
        parts.append((true.max(axis=1), (true + rng.standard_normal(true.shape)).max(axis=1)))
    largest, seen = (np.concatenate(x) for x in zip(*parts, strict=True))
    return largest, seen


def exceptions(draws: int) -> None:
    """Allowed exceptions: a run with one too many just over the limit, and one with all just inside."""
    print("\n| n | allowed | false pass % | one reading's guard: false pass % | false fail % |")
    print("|---|---|---|---|---|")
    for n, allowed in ((1_000, 0), (1_000, 1), (1_000, 10), (1_000, 100)):
        rng = np.random.default_rng([4, n, allowed])
        inner, outer = exception_guards(n, allowed, 1.0)
        over = rng.standard_normal((draws, allowed + 1)).min(axis=1)
        outside = [(rng.standard_normal((1_000, n)) > outer).sum(axis=1) > allowed for _ in range(draws // 1_000)]
        cells = [np.mean(over <= -inner), np.mean(over <= -2.0), np.mean(np.concatenate(outside))]
        print(f"| {n} | {allowed} | " + " | ".join(f"{100 * c:.2f}" for c in cells) + " |", flush=True)


def main(draws: int = 20_000) -> None:
    """Print each table."""
    for table in (scatter_beside_known, few, extremes, exceptions):
        table(draws)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
