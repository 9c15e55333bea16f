"""False passes at the limit and coverage of the verdicts' own figures.

``python -m tests.benchmarks.verdicts [DRAWS]``.

Each draw is a block of 2,000 cycles whose true value is the limit itself, under a noise that is drawn here and shares
no code with the package; windows of its last n cycles are judged as `benchpipe check` judges them, from the values on
(:mod:`benchpipe.check.figure`, :mod:`benchpipe.check.change`, :mod:`benchpipe.check.rules`). Fixed seed. A Markdown
table is printed: false passes of an item exactly at its limit in per cent (the rule: 2.3), coverage of the 95 %
interval, and how many were refused because the block does not show its noise.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.values import Values, values_of
from benchpipe.check.change import change_figure
from benchpipe.check.decision import Verdict
from benchpipe.check.figure import JudgedFigure, figure_of_values
from benchpipe.check.measures import our_measures
from benchpipe.check.rules import Window, decide, guard_of_u
from benchpipe.config.channel import ChannelConfig
from benchpipe.config.limits import LimitConfig
from benchpipe.config.model import Quantity
from benchpipe.config.rig import AxisConfig, RigConfig, TimeConfig
from benchpipe.kernels.window_noise import BlockNoise, fit_block_noise

SEED, CYCLES, TRUE = 310, 2000, 100.0
SIZES = (2, 3, 5, 10, 100, 1000)
FEW = (2, 3, 5, 10)
NOISES: dict[str, tuple[tuple[float, float], ...]] = {  # share of the variance and correlation of each part
    "white": ((1.0, 0.0),),
    "AR 0.5": ((1.0, 0.5),),
    "AR 0.9": ((1.0, 0.9),),
    "AR 0.99": ((1.0, 0.99),),
    "AR 0.9 + white": ((0.5, 0.9), (0.5, 0.0)),
    "AR 0.99 + white": ((0.5, 0.99), (0.5, 0.0)),
}
STATISTICS = ("median", "mean", "last", "max", "min")
RULE = guard_of_u(2.0)
RIG = RigConfig(
    name="drawn",
    time=TimeConfig(column="t", sample_rate=50.0),
    channel=(
        ChannelConfig(name="load", column="f", unit="N*m", uncertainty=0.0),
        ChannelConfig(name="motion", column="x", unit="deg", uncertainty=0.0),
    ),
    load=AxisConfig(channel="load"),
    motion=AxisConfig(channel="motion"),
)
BLOCK = CyclicBlock(name="b", kind="cyclic", frequency=1.0, load_min=Quantity(5.0, "torque"),
                    load_max=Quantity(80.0, "torque"))  # fmt: skip


@dataclass
class Drawn:
    """Stands for the tables of a run: one block, its noise fitted as the check room does."""

    noise: BlockNoise

    def of(self, block: str, column: str, size: int) -> BlockNoise:
        return self.noise

    def last(self, block: str) -> int:
        return CYCLES


def limit(measure: str, statistic: str, operator: str) -> LimitConfig:
    quantity = Quantity(TRUE, "energy")
    return LimitConfig(
        name="l", block="b", measure=measure, statistic=statistic, operator=operator, value=quantity, source="-"
    )  # type: ignore[arg-type]


def noise(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Unit variance, started long before."""
    total = np.zeros(CYCLES)
    for share, rho in NOISES[kind]:
        e = rng.standard_normal(CYCLES + 1500)
        total += np.sqrt(share) * lfilter([np.sqrt(1.0 - rho**2)], [1.0, -rho], e)[1500:]
    return total


def window(values: np.ndarray, first: int) -> Values:
    number = first + 1.0 + np.arange(len(values))
    return values_of(number, values, np.full(len(values), np.nan), len(values), block="b")


Cell = tuple[str, str, int]
Counts = dict[Cell, np.ndarray]


def judged(figure: JudgedFigure, statistic: str, truth: float, counts: np.ndarray) -> None:
    """Add one figure: draws, refused, passes at a high and at a low limit, covered."""
    counts[0] += 1
    if figure.doubt or not np.isfinite(figure.value):
        counts[1] += 1
        return
    guards = figure.guards(RULE, statistic)
    counts[2] += decide(figure.value, guards, Window(high=truth)) is Verdict.PASS
    counts[3] += decide(figure.value, guards, Window(low=truth)) is Verdict.PASS
    counts[4] += abs(figure.value - truth) <= figure.expanded_u(statistic)


def draw(kind: str, seed: int, draws: int) -> Counts:
    """Counts of some draws of one noise."""
    rng = np.random.default_rng([SEED, seed])
    counts: Counts = defaultdict(lambda: np.zeros(5))
    measure = our_measures()["energy_j"]
    for _ in range(draws):
        values = TRUE + 0.3 * noise(kind, rng)
        tables: Any = Drawn(fit_block_noise(values))
        for n in SIZES:
            last = window(values[-n:], CYCLES - n)
            for statistic in STATISTICS:
                if statistic == "last" and n > SIZES[0]:
                    continue
                figure = figure_of_values(limit("energy_j", statistic, "<="), measure, RIG, last, tables)
                judged(figure, statistic, TRUE, counts[kind, statistic, 1 if statistic == "last" else n])
            change = change_figure(measure, RIG, BLOCK, window(values[:n], 0), last, tables)
            judged(change, "change", 0.0, counts[kind, "change", n])
    return dict(counts)


def draw_few(kind: str, seed: int, draws: int) -> Counts:
    """Two to ten holds that scatter, whose common truth is the limit; a certificate beside them."""
    rng = np.random.default_rng([SEED, seed, 1])
    counts: Counts = defaultdict(lambda: np.zeros(5))
    measure = our_measures()["creep_end"]
    rig = RIG.model_copy(update={"channel": (RIG.channel[0], RIG.channel[1].model_copy(update={"uncertainty": 0.004}))})
    for _ in range(draws):
        common = TRUE * 0.002 * rng.standard_normal()
        for n in FEW:
            values = TRUE + common + 0.3 * rng.standard_normal(n)
            some = values_of(1.0 + np.arange(n), values, np.full(n, 0.05), n)
            for statistic in ("median", "mean"):
                figure = figure_of_values(limit("creep_end", statistic, "<="), measure, rig, some, None)  # type: ignore[arg-type]
                judged(figure, statistic, TRUE, counts[kind, f"{statistic} of holds", n])
    return dict(counts)


def main(draws: int) -> int:
    """Print the table; 1 where a cell misses its bars."""
    total: Counts = defaultdict(lambda: np.zeros(5))
    pieces = max(draws // 250, 1)
    with ProcessPoolExecutor(2) as pool:
        jobs = [pool.submit(draw, kind, i, draws // pieces) for kind in NOISES for i in range(pieces)]
        jobs += [pool.submit(draw_few, "scatter, certificate", i, draws // pieces) for i in range(pieces)]
        for job in jobs:
            for cell, counts in job.result().items():
                total[cell] += counts
    print("| noise | statistic | n | false pass, high limit % | low limit % | coverage % | refused % |")
    print("|---|---|---|---|---|---|---|")
    missed = 0
    for (kind, statistic, n), (count, refused, high, low, covered) in total.items():
        known = max(count - refused, 1)
        most = 3.0 + 2.0 * 100.0 * np.sqrt(0.03 * 0.97 / known)
        bad = max(high, low) / known * 100.0 > most or covered / known < 0.92
        missed += bad and known > 100
        print(
            f"| {kind} | {statistic} | {n:,} | {100 * high / known:.2f} | {100 * low / known:.2f} | "
            f"{100 * covered / known:.1f}{' (misses)' if bad else ''} | {100 * refused / count:.1f} |"
        )
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000))
