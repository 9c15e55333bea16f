"""What the process step keeps of a block for the next night; a kind that goes on from its past adds its own fields."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import Field

from benchpipe.store.state import State

MADE_OF = frozenset({"key", "inputs", "parts"})  # without these nothing can be taken over


class RejectState(State):
    """Identity of the rejects of a block.

    Attributes
    ----------
    logs : int
        Logs with samples.
    rejects : tuple of (int, str)
        Of those, place of the log and identity; others are added when logs come or grow.
    tails : tuple of str
        Those that a log which grows may take back.
    empty : tuple of (str or None, str)
        Of logs without samples, which may come between the others: the log before, and identity.
    """

    logs: int = 0
    rejects: tuple[tuple[int, str], ...] = ()
    tails: tuple[str, ...] = ()
    empty: tuple[tuple[str | None, str], ...] = ()


class BlockState(RejectState):
    """What a block was made of, and what was made.

    Attributes
    ----------
    key : str
        Of its settings.
    inputs : tuple of list
        Identity of each of its samples' parts, in order.
    parts : tuple of str
        Paths of its parts.
    outside : dict of (int, float, float)
        Samples outside the table of ``load:CHANNEL`` or ``motion:CHANNEL``, their smallest and largest value.
    no_hold : str or None
        Why nothing was held in it.
    """

    no_hold: str | None = None
    outside: dict[str, tuple[int, float, float]] = Field(default_factory=dict)
    key: str = ""
    inputs: tuple[list[object], ...] = ()
    parts: tuple[str, ...] = ()

    @property
    def resumes(self) -> bool:
        """Whether the block can go on from here when samples are added; else it is made whole."""
        return False

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last time [us] of what was found, where it is kept; None: its tables say."""
        return None

    @property
    def named(self) -> set[str]:
        """Parts that going on from here needs."""
        return set(self.parts)


class ResumingState(BlockState):
    """State of a kind that goes on where the last night ended, from an anchor, and keeps the parts that are final."""

    anchor: object | None = None
    settled: tuple[str, ...] = ()

    @property
    def resumes(self) -> bool:
        """Whether the block can go on from here."""
        return self.anchor is not None

    @property
    def named(self) -> set[str]:
        """Parts that going on from here needs."""
        return {*self.parts, *self.settled}


class NoHold(State):
    """The part of a block's state that says why nothing was held in it."""

    no_hold: str | None = None


@dataclass(frozen=True)
class SampleNoise:
    """Standard deviation of one sample of load and motion, in the run's units; None where it is not known.

    ``samples`` it was learnt from: from :data:`benchpipe.blocks.sample_noise.SAMPLES` on it stays.
    """

    load: float | None
    motion: float | None
    samples: int


@dataclass(frozen=True)
class Anchor:
    """Where to take up the work another night: a sample, and what is known there.

    It is the sample before the first one of the row that has begun; without one, the last sample.

    Attributes
    ----------
    time_us : int
    armed : bool
        Whether the next sample at or above the upper threshold is a boundary.
    segment, closed : int
        Number of the segment, and of closed cycles so far.
    between : bool
        The row is no cycle, or begins as one that no crossing begins.
    fresh : bool
        The sample is the first of the log, and of the row.
    lost : int
        Rows that were lost after the last cycle, up to the sample.
    load_range, motion_range : float or None
        Of the last closed cycle.
    change_us : int
        Of the first sample of the log: the longest step where the mode changed just before it.
    """

    time_us: int
    armed: bool
    segment: int
    closed: int
    between: bool = False
    fresh: bool = False
    lost: int = 0
    load_range: float | None = None
    motion_range: float | None = None
    change_us: int = 0
