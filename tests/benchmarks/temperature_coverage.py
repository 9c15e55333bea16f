"""Is a change corrected for temperature as uncertain as it says? Simulated runs under a daily swing.

    python -m tests.benchmarks.temperature_coverage [draws a core cell] [draws of others] [processes]

All data are invented: one cycle a second, every cycle drawn. The air swings by ± 4 K a day about 23 °C from a
phase of its own in each draw, the thermometer has noise of 0.05 K, the figure follows the air by −0.5 %/K with a
lag of first order (written down in closed form) and has noise of 0.3 %. Its truth is that of a specimen whose
level and coefficient multiply. Baseline: `n` cycles from a drawn cycle of the first hour on; window: the last `n`.
"own": without a coefficient in the plan. "plan": what the plan's coefficient (true value plus a drawn error of
0.05 %/K, stated as such) decides where the run's own does not count. "cover" is of the 95 % interval, "false" the
share of items exactly at their limit that pass under a guard of t(0.97725) u, for a lower and an upper limit.
The core cells are drawn more often and with short windows too. A cell of 5,000 has a standard error of 0.3 on cover
and 0.2 on false, one of 200 of 1.5 and 1.1.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from scipy import stats
from scipy.signal import lfilter

from benchpipe.kernels.temperature_change import TemperatureChange, change_at_temperature

DAY_S = 86400.0
SWING_K, COEFFICIENT, COEFFICIENT_U = 4.0, -0.005, 0.0005
NOISE, THERMOMETER_K = 0.003, 0.05
CORE_WINDOWS, WINDOWS = (2, 10, 100, 1000), (100, 1000)
WEARS = ("none", "straight", "settling", "step")
NOISES = ("white", "AR 0.9")


@dataclass(frozen=True)
class Cell:
    """What is drawn in one row: days of history, true lag [s], wear, noise."""

    days: float
    lag_s: float
    wear: str
    noise: str


def wear_of(kind: str, x: np.ndarray) -> np.ndarray:
    """Relative wear at part x of the history."""
    if kind == "straight":
        return -0.03 * x
    if kind == "settling":
        return -0.02 * (1 - np.exp(-5 * x))
    if kind == "log":
        return -0.01 * np.log10(1 + x * 1000)
    return -0.01 * (x > 0.6) if kind == "step" else 0 * x


def noise_of(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Noise of unit variance."""
    e = rng.standard_normal(n)
    if kind == "white":
        return e
    rho = float(kind.split()[1])
    e[1:] *= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], e))


def draw(cell: Cell, rng: np.random.Generator, begin: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Times, figures, temperatures, and wear of every cycle."""
    n = int(cell.days * DAY_S)
    t = np.arange(float(n))
    w, phase = 2 * np.pi / DAY_S, 2 * np.pi * rng.random()
    air = SWING_K * np.sin(w * t + phase)
    body = SWING_K * np.cos(np.arctan(w * cell.lag_s)) * np.sin(w * t + phase - np.arctan(w * cell.lag_s))
    wear = wear_of(cell.wear, t / n)
    value = 50 * ((1 + wear) * (1 + COEFFICIENT * body) + NOISE * noise_of(cell.noise, n, rng))
    logged = 23 + air + THERMOMETER_K * rng.standard_normal(n)
    return t, value.astype(np.float32), logged.astype(np.float32), wear


@dataclass
class Tally:
    """Errors, uncertainties and degrees of freedom of what was decided."""

    rows: list[tuple[float, float, float]] = field(default_factory=list)

    def add(self, found: TemperatureChange, truth: float) -> None:
        if found.decided:
            self.rows.append((found.change - truth, found.u, found.dof))

    def text(self, asked: int) -> str:
        """decided | cover | false | half-width | of the error's own spread."""
        if len(self.rows) < max(20, asked // 50):
            return f"{100 * len(self.rows) / max(asked, 1):.0f} | - | - | - | -"
        e, u, dof = np.array(self.rows).T
        dof = np.minimum(dof, 1e6)
        half, guard = stats.t.ppf(0.975, dof) * u, stats.t.ppf(0.97725, dof) * u
        above, under = 100 * np.mean(e > guard), 100 * np.mean(e < -guard)
        return (
            f"{100 * len(e) / asked:.0f} | {100 * np.mean(np.abs(e) <= half):.1f} | {above:.1f}, {under:.1f} | "
            f"{100 * np.median(half):.2f} | {np.sqrt(np.mean(u**2)) / np.sqrt(np.mean(e**2)):.2f}"
        )


def measure(cell: Cell, draws: int, windows: tuple[int, ...] = WINDOWS, seed: int = 10) -> list[str]:
    """Rows of the table: one a window."""
    rng = np.random.default_rng([seed, int(cell.days * 10), int(cell.lag_s), *map(ord, cell.wear + cell.noise)])
    own, plan = {n: Tally() for n in windows}, {n: Tally() for n in windows}
    for _ in range(draws):
        begin = int(3600 * rng.random())
        t, value, logged, wear = draw(cell, rng, begin)
        stated = COEFFICIENT + COEFFICIENT_U * rng.standard_normal()
        for n in windows:
            base, window = (begin, begin + n - 1), (t.size - n, t.size - 1)
            truth = (1 + wear[-n:].mean()) / (1 + wear[begin : begin + n].mean()) - 1
            found = change_at_temperature(
                t, value, logged, base, window, plan_coefficient=stated, plan_coefficient_u=COEFFICIENT_U
            )
            (own if found.source == "run" else plan)[n].add(found, truth)
    head = f"| {cell.days} | {cell.lag_s:.0f} | {cell.wear} | {cell.noise} |"
    return [f"{head} {n:,} | {draws:,} | {own[n].text(draws)} | {plan[n].text(draws)} |" for n in windows]


def heading() -> str:
    """Two lines over the rows."""
    figures = "decided % | cover % | false % | half-width % | u/sd"
    head = " | ".join(f"{whose}: {figure}" for whose in ("own", "plan") for figure in figures.split(" | "))
    return f"| days | lag s | wear | noise | n | draws | {head} |\n|" + "---|" * 16


CORE = (
    *(Cell(2.3, 1800.0, wear, "AR 0.9") for wear in WEARS),
    Cell(2.3, 1800.0, "straight", "white"),
    Cell(1.3, 1800.0, "settling", "AR 0.9"),
)


def cells() -> Iterator[Cell]:
    """All cells, short histories first."""
    for days, lag, wear, noise in product((0.7, 1.3, 2.3, 5.0), (0.0, 1800.0), WEARS, NOISES):
        yield Cell(days, lag, wear, noise)


def main(core: int = 5000, others: int = 200, processes: int = 2) -> None:
    """Print the table, a cell as soon as it is known."""
    jobs = [(cell, core, CORE_WINDOWS) for cell in CORE] if core else []
    jobs += [(cell, others, WINDOWS) for cell in cells() if cell not in CORE] if others else []
    print(heading(), flush=True)
    with ProcessPoolExecutor(processes) as pool:
        for rows in pool.map(measure, *zip(*jobs, strict=True)):
            print("\n".join(rows), flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
