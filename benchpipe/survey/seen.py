"""Result types of a survey: the evidence for each block of a plan."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.blocks.cyclic.thresholds import HIGH_PART, LOW_PART
from benchpipe.survey.activity import LoopAxis, SamplePlace


@dataclass(frozen=True)
class Where:
    """Which rows a block takes: a mode (None: any), and patterns of log names (empty: all of the plan's).

    ``also`` names what else is in the same rows and cannot be separated by mode or file; ``at`` is where it is first
    seen.
    """

    at: SamplePlace
    mode: int | None = None
    files: tuple[str, ...] = ()
    also: str = ""


@dataclass(frozen=True)
class LevelSeen:
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
    axis: LoopAxis
    control: LoopAxis | None
    valley: LevelSeen
    peak: LevelSeen
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

    @property
    def thresholds(self) -> tuple[float, float]:
        """Motions that a sweep crosses: at about a third and two thirds of the way."""
        span = self.high - self.low
        return self.low + LOW_PART * span, self.low + HIGH_PART * span


@dataclass(frozen=True)
class HoldSeen:
    """A load that was held: how often, and the longest [s] in one log."""

    where: Where
    load: LevelSeen
    count: int
    longest_s: float


@dataclass(frozen=True)
class ProofSeen:
    """A load beyond all cycles that was held for a short time between two stays at a settling load."""

    where: Where
    load: LevelSeen
    settling: float
    settling_s: float
    count: int
    hold_s: float


@dataclass(frozen=True)
class RelaxationSeen:
    """A motion that was held while the load fell by ``lost`` of itself: how often, and the longest [s] in one log."""

    where: Where
    motion: LevelSeen
    load: float
    lost: float
    count: int
    longest_s: float


@dataclass(frozen=True)
class SlowSeen:
    """Slow motion there and back against a spring: cycles of a locked joint, or sweeps of a free one."""

    where: Where
    cyclic: CyclicSeen
    sweep: SweepSeen


@dataclass(frozen=True)
class MovingSeen:
    """Rows in which load or motion moves, between these ends, and nothing repeats or is held."""

    where: Where
    seconds: float
    load: tuple[float, float]
    motion: tuple[float, float]


@dataclass(frozen=True)
class RollSeen:
    """A tilt that goes from one angle to another under load: how often, and its channels.

    ``travel`` [mm] is that of each length which follows the tilt, ``others`` are those that do not; ``tilts`` [deg] are
    covered by every way, ``peak`` is the largest force [N].
    """

    where: Where
    count: int
    force: str
    tilt: str
    travel: dict[str, float]
    others: tuple[str, ...]
    tilts: tuple[float, float]
    peak: float


@dataclass(frozen=True)
class StanceSeen:
    """A load that stays about a level and sways: how often, and the shortest [s]."""

    where: Where
    load: tuple[float, float]
    count: int
    shortest_s: float


BlockSeen = CyclicSeen | SweepSeen | SlowSeen | HoldSeen | RelaxationSeen | ProofSeen | RollSeen | MovingSeen


@dataclass(frozen=True)
class Seen:
    """All that the logs show.

    ``idle`` holds where rows are in which nothing happens; ``changes`` counts the changes of the mode channel.
    ``stances`` may be such: no log says it surely.
    """

    cyclic: tuple[CyclicSeen, ...] = ()
    sweeps: tuple[SweepSeen, ...] = ()
    slow: tuple[SlowSeen, ...] = ()
    holds: tuple[HoldSeen, ...] = ()
    relaxations: tuple[RelaxationSeen, ...] = ()
    proofs: tuple[ProofSeen, ...] = ()
    rolls: tuple[RollSeen, ...] = ()
    moving: tuple[MovingSeen, ...] = ()
    stances: tuple[StanceSeen, ...] = ()
    idle: tuple[Where, ...] = ()
    changes: int = 0
    notes: tuple[str, ...] = ()

    @property
    def blocks(self) -> tuple[BlockSeen, ...]:
        """What a plan has blocks for, in the order in which it is first seen."""
        found = (*self.repeated, *self.moving)
        return tuple(sorted(found, key=lambda one: one.where.at))

    @property
    def repeated(self) -> tuple[BlockSeen, ...]:
        """What repeats or is held."""
        return (*self.cyclic, *self.sweeps, *self.slow, *self.holds, *self.relaxations, *self.proofs, *self.rolls)
