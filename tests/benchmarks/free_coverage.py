"""Do the law-free figures of a hold cover? Simulated holds of laws in and outside the table, and noise of four kinds.

    python -m tests.benchmarks.free_coverage [holds per cell] [processes] [of them fitted with laws]

Holds are drawn by a generator of their own (drawn_holds.py) and go through the product's bins, step finding and
curve. A hold's true creep is compared with its 95 % interval; "false" is the share of holds whose creep lies exactly
at a limit and that pass it (value + 2 u <= limit, where u is the column that is stored).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from benchpipe.blocks.held_curves import HoldCurve, hold_curve
from benchpipe.kernels.creep_curve import curve_layout
from benchpipe.kernels.creep_fit import fit_creep
from benchpipe.kernels.creep_free import FreeFigure, free_creep
from benchpipe.kernels.holds import FRESH_HOLD, fresh_bins, scan_hold
from tests.benchmarks.drawn_holds import IN_TABLE, LAWS, NEW_IN_TABLE, NOISES, DrawnHold, drawn

HOLDS = {"10 min": (600.0, 10.0, 180.0), "1 h": (3600.0, 2.0, 600.0)}
"""Length [s], rate [Hz] and the asked time [s] of each kind of hold."""
SKIP_S = 10.0
"""Ramp part: five ramps of 2 s."""
SMALL = 0.1


@dataclass(frozen=True)
class Cell:
    """Length, noise and law of holds, and the size of their creep."""

    length: str
    noise: str
    law: str
    size: float = 1.0


@dataclass(frozen=True)
class Covered:
    """Shares of holds [%], and median half-widths, for creep from the ramp part, asked, from full load, rate, leak."""

    cell: Cell
    cover: tuple[float, ...]
    false: tuple[float, ...]
    half: tuple[float, ...]
    sure_leak: float


def averaged(hold: DrawnHold) -> tuple[HoldCurve, float]:
    """A drawn hold's averages as the product makes them, and the step that it finds."""
    nothing, bins = np.empty(0), fresh_bins()
    load = np.full(hold.time_s.size, 60.0)
    time_us = np.rint(hold.time_s * 1e6).astype(np.int64)
    _, state = scan_hold(
        time_us, load, hold.motion, nothing, 0, 60.0, 1.0, 1_000_000, 5_000_000, FRESH_HOLD, bins
    )  # fmt: skip
    return hold_curve(bins, SKIP_S), state.least_step


def cover(cell: Cell, draws: int, with_laws: int) -> Covered:
    """Draw holds of a cell and count; ``with_laws`` of them are fitted with laws too, for the leak's low end."""
    length, hz, asked = HOLDS[cell.length]
    rng = np.random.default_rng([10, LAWS.index(cell.law), NOISES.index(cell.noise), int(length)])
    hit, low, half, sure = np.zeros(5), np.zeros(5), np.zeros((draws, 5)), 0
    for draw in range(draws):
        hold = drawn(cell.law, cell.noise, rng, length, hz, cell.size)
        curve, step = averaged(hold)
        part = slice(curve.first, None)
        channel = {"resolution": step if np.isfinite(step) else 0.0, "spread": curve.spread}
        time, motion, count = (v[part] for v in (curve.time, curve.motion, curve.count))
        first = float(time[0])
        if draw == 0:  # all holds of a cell have the same times
            after, whole = curve_layout(time, count, length), curve_layout(curve.time, curve.count, length)
        free = free_creep(time, motion, count, since_s=first, end_s=length, asked_s=[asked], layout=after, **channel)
        full = free_creep(curve.time, curve.motion, curve.count, since_s=0.0, end_s=length, layout=whole, **channel)
        start, middle, end = hold.truth(np.array([first, asked, length]))
        zero = hold.truth(np.array([0.5 / hz]))[0]
        rate = np.diff(hold.truth(np.array([length * 0.9999, length])))[0] / (length * 1e-4)
        true = [end - start, middle - start, end - zero, rate, hold.leak]
        found = [free.creep_end, free.creep_at[0], full.creep_end, free.end_rate, free.leak]
        for k, (truth, figure) in enumerate(zip(true, found, strict=True)):
            top = max(figure.high, 0.0) if k == 4 else figure.high
            hit[k] += truth <= top if k == 4 else figure.low <= truth <= top
            low[k] += top < truth
            half[draw, k] = _half(figure)
        if draw < with_laws:
            leak = fit_creep(time, motion, count, end_s=length, way=1.0, **channel).leak
            sure += leak.low > hold.leak or leak.high < 0
    scale = np.array([1, 1, 1, 3600, 3600])
    return Covered(
        cell, tuple(100 * hit / draws), tuple(100 * low / draws), tuple(np.median(half, axis=0) * scale),
        100 * sure / with_laws if with_laws else float("nan"),
    )  # fmt: skip


def _half(figure: FreeFigure) -> float:
    return (figure.high - figure.low) / 2


def cells() -> Iterator[Cell]:
    """All cells, those of an hour first: every law with every noise, and small creep of some."""
    for length in reversed(HOLDS):
        for noise in NOISES:
            yield from (Cell(length, noise, law) for law in LAWS)
            yield from (Cell(length, noise, law, SMALL) for law in ("Kelvin", "power", "log offset + leak"))


HEADING = (
    "| hold | noise | law | creep at the end: cover %, false %, ± | asked: cover %, false %, ± "
    "| from full load: cover %, false %, ± | rate at the end: cover %, false %, ± /h "
    "| leak: upper end holds %, ± /h, surely too much % |\n|---|---|---|---|---|---|---|---|"
)


def line(row: Covered) -> str:
    """One row of the Markdown table; laws outside the table are marked with an asterisk."""
    name = row.cell.law + ("" if row.cell.law in IN_TABLE + NEW_IN_TABLE else "*")
    name += "" if row.cell.size == 1 else f", x {row.cell.size:g}"
    figures = [f"{c:.1f}, {f:.1f}, {h:.4f}" for c, f, h in zip(row.cover[:4], row.false[:4], row.half[:4], strict=True)]
    leak = f"{row.cover[4]:.1f}, {row.half[4]:.3f}, {row.sure_leak:.1f}"
    return f"| {row.cell.length} | {row.cell.noise} | {name} | {' | '.join(figures)} | {leak} |"


def print_table(draws: int = 5000, processes: int = 2, with_laws: int = 20) -> None:
    """Print the table, a row as soon as it is known."""
    print(
        f"{draws} holds a cell of full size and an hour, a fifth elsewhere ({with_laws} of them fitted with laws)"
        f"\n\n{HEADING}",
        flush=True,
    )
    with ProcessPoolExecutor(processes) as pool:
        jobs = [
            pool.submit(cover, cell, draws if (cell.length, cell.size) == ("1 h", 1.0) else draws // 5, with_laws)
            for cell in cells()
        ]
        for job in jobs:
            print(line(job.result()), flush=True)


if __name__ == "__main__":
    print_table(*(int(word) for word in sys.argv[1:]))
