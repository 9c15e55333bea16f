"""What the caller gives: measures that are watched, the block's settings, new cycles, and what the log says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.measures import CYCLIC, Watched

Indices = NDArray[np.int64]
Readings = NDArray[np.floating]

DAY_US = 86_400_000_000
WIDTHS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600)
"""Widths of a bin of time [s]; all divide a day, so that a day border is a border of bins."""
WANTED_BINS = 300
"""So many bins of the planned test, or more: fewer leave too little to fit noise, wear and temperature to."""
FEWEST_CYCLES = 10
"""A bin holds at least so many cycles, so that it has a scatter and no single cycle rules it."""

OF_ZEROS = ("zero_shift", "rezero")
"""Entries that move the zero of a sensor: a stiffness that steps there has another cause."""


@dataclass(frozen=True)
class Coefficient:
    """Coefficient of temperature that a plan states: part of the scale per kelvin, with its standard uncertainty."""

    per_k: float
    u: float


@dataclass(frozen=True)
class DriftLimit:
    """Largest or smallest allowed change of a measure since its baseline, as a part of its scale.

    ``value``: a limit on the measure itself, in its unit; ``change`` then follows from the baseline (NaN before).
    ``upper``: which side of the measure it is on.
    """

    measure: str
    change: float
    value: float | None = None
    unit: str = ""
    upper: bool = False


@dataclass(frozen=True)
class DriftBlock:
    """What the plan says of a block.

    ``false_alarms`` is the share of healthy runs that may have an alarm, over all measures and nights together.
    ``baseline``: first and last cycle, where the plan states them. ``planned``: work on the specimen.
    """

    name: str
    planned_cycles: int
    frequency_hz: float
    watched: tuple[Watched, ...] = CYCLIC
    limits: tuple[DriftLimit, ...] = ()
    coefficients: Mapping[str, Coefficient] | None = None
    baseline: tuple[int, int] | None = None
    planned: tuple[LogEntry, ...] = ()
    false_alarms: float = 0.05

    @property
    def width_us(self) -> int:
        """Width of a bin of time [µs]: from the plan alone, so that no night changes it."""
        planned_s = self.planned_cycles / self.frequency_hz
        least = FEWEST_CYCLES / self.frequency_hz
        fit = [w for w in WIDTHS_S if w >= least and planned_s / w >= WANTED_BINS]
        wide = [w for w in WIDTHS_S if w >= least]
        return int((fit[-1] if fit else wide[0] if wide else WIDTHS_S[-1]) * 1_000_000)


@dataclass(frozen=True, eq=False)
class CycleColumns:
    """Cycles of a block in their order, n of them: number, start [µs], period [s], temperature [°C] and the measures.

    NaN where a figure is missing or its cycle is never judged. ``temperature_c`` is None where none is logged.
    """

    cycle: Indices
    start_us: Indices
    period_s: Readings
    values: Mapping[str, Readings]
    temperature_c: Readings | None = None

    def rows(self, first: int, last: int) -> CycleColumns:
        """Rows from ``first`` up to before ``last``."""
        cut = slice(first, last)
        return CycleColumns(
            self.cycle[cut],
            self.start_us[cut],
            self.period_s[cut],
            {name: v[cut] for name, v in self.values.items()},
            None if self.temperature_c is None else self.temperature_c[cut],
        )


@dataclass(frozen=True)
class LogEntry:
    """Something the log, the plan or a note says: ``kind`` at ``start_us``.

    Kinds: stop, restart, gap, zero_shift, calibration, observed, exchange, retightened, inspection, rezero.
    ``expected`` entries (of the plan, or a note) re-base the measures without an alarm; a ``zero_shift`` and a
    ``rezero`` do so for those that move with a sensor's zero. The others are named beside an event that is near them.
    ``cycle``: of planned work, which has no time before that cycle was run (`placed_entries`).
    """

    kind: str
    start_us: int
    text: str = ""
    expected: bool = False
    cycle: int | None = None

    def rebases(self, watched: Watched) -> bool:
        """Is a change of a measure there explained?"""
        return watched.zero if self.kind in OF_ZEROS else self.expected
