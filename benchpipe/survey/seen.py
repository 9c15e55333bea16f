"""What was seen, put together to what a plan calls blocks: results only."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.survey.activity import Axis, Place


@dataclass(frozen=True)
class Where:
    """Which rows a block takes: a mode (None: any), and patterns of log names (empty: all of the plan's).

    ``also`` names what else is in the same rows and cannot be told apart by mode or file; ``at`` is where it is first
    seen.
    """

    at: Place
    mode: int | None = None
    files: tuple[str, ...] = ()
    also: str = ""


@dataclass(frozen=True)
class Level:
    """A value that repeats: its middle, and the scatter (standard deviation) of single ones."""

    value: float
    scatter: float


@dataclass(frozen=True)
class CyclicSeen:
    """Cycling.

    ``control`` is the axis whose ends are the steadier, None where neither is. ``steady`` says whether nearly all
    peaks and valleys of the axis lie near ``peak`` and ``valley``. ``baseline`` are cycles after the run-in, None where
    ``baseline_why`` says why there are none.
    """

    where: Where
    cycles: int
    axis: Axis
    control: Axis | None
    valley: Level
    peak: Level
    steady: bool
    frequency: float
    frequencies: tuple[float, float]
    baseline: tuple[int, int] | None
    baseline_why: str


@dataclass(frozen=True)
class SweepSeen:
    """Slow motion there and back with little load: ends, the free range between the stops, the load in it."""

    where: Where
    sweeps: int
    low: float
    high: float
    free: tuple[float, float]
    resistance: float
    largest_load: float
    fastest_s: float
    slowest_s: float


@dataclass(frozen=True)
class HoldSeen:
    """A load that was held: how often, and the longest [s] in one log."""

    where: Where
    load: Level
    count: int
    longest_s: float


@dataclass(frozen=True)
class ProofSeen:
    """A load beyond all cycles that was held for a short time between two stays at a settling load."""

    where: Where
    load: Level
    settling: float
    settling_s: float
    count: int
    hold_s: float


BlockSeen = CyclicSeen | SweepSeen | HoldSeen | ProofSeen


@dataclass(frozen=True)
class Seen:
    """All that the logs show.

    ``idle`` holds where rows are in which nothing happens; ``changes`` counts the changes of the mode channel.
    """

    cyclic: tuple[CyclicSeen, ...]
    sweeps: tuple[SweepSeen, ...]
    holds: tuple[HoldSeen, ...]
    proofs: tuple[ProofSeen, ...]
    idle: tuple[Where, ...]
    changes: int
    notes: tuple[str, ...] = ()

    @property
    def blocks(self) -> tuple[BlockSeen, ...]:
        """What a plan has blocks for, in the order in which it is first seen."""
        return tuple(sorted((*self.cyclic, *self.sweeps, *self.holds, *self.proofs), key=lambda one: one.where.at))
