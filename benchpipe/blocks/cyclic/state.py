"""What the process step keeps of a cyclic block for the next night."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.blocks.cyclic.running import CycleSums, Longest
from benchpipe.blocks.state import Anchor, BlockState, SampleNoise
from benchpipe.store.state import State

Kind = Literal["gap", "stop", "uncrossed", "reset", "rollover", "tick", "unexplained"]


@dataclass(frozen=True)
class Thresholds:
    """Where cycles are cut.

    Attributes
    ----------
    low, high : float
        In the signal's unit.
    first, last : int
        Samples of the block that they were learnt from, counted from 1.
    settled : bool
        More samples do not change them.
    """

    low: float
    high: float
    first: int
    last: int
    settled: bool


@dataclass(frozen=True)
class Digits:
    """Steps of the channels of load and motion that the plan moves, in the channels' own inside units.

    Attributes
    ----------
    load, motion : float
        0 where the channel is not moved by ten steps, or has no step.
    settled : bool
        More samples do not change them.
    """

    load: float
    motion: float
    settled: bool


@dataclass(frozen=True)
class UsualRepeats:
    """What is usual of the longest run of equal samples in a block's cycles, of one signal.

    Attributes
    ----------
    middle : float
        Repeats in a row of the middle cycle.
    usual, chance : float or None
        Most that are usual, and most that noise leaves by chance; None: no bound.
    samples, range : float
        Of the middle cycle: what is longer, or swings less, has longer runs.
    clipped : tuple of float or None
        Lower and upper extreme at which nearly all cycles are clipped.
    """

    middle: float
    usual: float | None
    chance: float | None
    samples: float
    range: float
    clipped: tuple[float | None, float | None] = (None, None)


@dataclass(frozen=True)
class Counted:
    """Comparison of the detected cycles with the rig's counter, as later steps need it.

    Attributes
    ----------
    detected : int
        Complete cycles between the first and the last row with a counter.
    counted : float
        Cycles by the counter between the same rows.
    per_cycle : float
        Ticks a cycle.
    resets, rollovers : int
    differences : tuple of (kind, from_us, until_us, cycles)
        Their sum is ``counted - detected``, but for single ticks.
    """

    detected: int
    counted: float
    per_cycle: float
    resets: int = 0
    rollovers: int = 0
    differences: tuple[tuple[Kind, int, int, float], ...] = ()


@dataclass(frozen=True)
class KeptLoops:
    """Cycles whose loops are kept, and the parts that hold them."""

    cycles: tuple[int, ...] = ()
    parts: tuple[str, ...] = ()


class CycleFigures(State):
    """What limits and views ask of a cyclic block besides its tables.

    Attributes
    ----------
    counted : Counted or None
        None without counter values.
    repeats : dict of UsualRepeats
        By signal.
    lost_at_end : int
        Rows that were lost after the last cycle.
    rows_every : int
        Of a log of one row a cycle: every how many cycles it has a row.
    """

    digits: Digits | None = None
    sample_noise: SampleNoise | None = None
    repeats: dict[str, UsualRepeats] = Field(default_factory=dict)
    counted: Counted | None = None
    lost_at_end: int = 0
    rows_every: int = 1


class FinalCycles(State):
    """Parts of cycles that nothing to come can change, and the number of the last cycle in each.

    ``ends`` is None in states of older programs, and of blocks whose cycles are each night's own.
    """

    settled: tuple[str, ...] = ()
    ends: tuple[int, ...] | None = None

    @model_validator(mode="after")
    def _as_many(self) -> Self:
        if self.ends is not None and len(self.ends) != len(self.settled):
            raise ValueError(f"{len(self.settled)} parts and {len(self.ends)} last cycles")
        return self


class CyclicState(CycleFigures, FinalCycles, BlockState):
    """State of a cyclic block.

    Attributes
    ----------
    anchor : Anchor or None
        Where to go on.
    loops : KeptLoops
    thresholds : Thresholds or None
        Learnt ones.
    sums : CycleSums or None
        Of the settled parts.
    longest : tuple of Longest
        Of each settled part.
    """

    anchor: Anchor | None = None
    loops: KeptLoops = KeptLoops()
    thresholds: Thresholds | None = None
    sums: CycleSums | None = None
    longest: tuple[Longest, ...] = ()

    @model_validator(mode="after")
    def _one_each(self) -> Self:
        if self.sums is not None and len(self.longest) != len(self.settled):
            raise ValueError(f"{len(self.settled)} parts and {len(self.longest)} longest runs")
        return self

    @property
    def resumes(self) -> bool:
        """Whether the block can go on from here: a state of an older program may lack ends, digits or sums."""
        return None not in (self.anchor, self.ends, self.digits, self.sums)

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last time [us] of the complete cycles, as the sums have it: an open cycle has no place in time."""
        return self.sums.span if self.sums is not None else None

    @property
    def named(self) -> set[str]:
        """Parts that going on from here needs."""
        return {*self.parts, *self.settled, *self.loops.parts}
