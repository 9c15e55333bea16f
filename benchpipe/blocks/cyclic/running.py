"""Running sums over a block's cycles, as its state keeps them: data alone, what is done with them is in ``sums``.

All of them are whole numbers, largest values, or lists of places: sums of one part after the other are those of all
parts at once, to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from pydantic import Field

from benchpipe.store.state import State


@dataclass(frozen=True)
class Bins:
    """How many values have the same leading bits: sign, exponent and ten bits behind the point, or fewer.

    Attributes
    ----------
    coarse : int
        Bits that are left out besides, so that few bins are filled.
    steps : tuple of int
        The first bin that is filled, and from each to the next.
    counts : tuple of int
    """

    coarse: int = 0
    steps: tuple[int, ...] = ()
    counts: tuple[int, ...] = ()


class CountedRow(NamedTuple):
    """A row with the rig's counter; ``done`` and ``uncrossed`` are the cycles before it, complete and not found.

    ``stood``: the row is open, and the log went on to show that the rig stood.
    """

    start_us: int
    counter: float
    done: int
    segment: int
    uncrossed: int
    stood: bool


@dataclass(frozen=True)
class CounterSums:
    """What the comparison with the rig's counter needs of the rows so far.

    Attributes
    ----------
    done, uncrossed : int
        Complete cycles, and those that were not found.
    used : int
        Rows with a counter.
    first, last : CountedRow or None
    at_end : bool
        The last of all rows has a counter.
    cycles, ticks : int
        From one such row to the next where nothing is odd; ticks in parts of 2^-20.
    spacing : Bins
        Times between neighbouring cycles [µs]; ``least_us`` is the least between any two rows.
    rate : float
        Ticks a cycle by which ``noted`` was found.
    noted : tuple of (CountedRow, CountedRow), or None
        Neighbours between which something is odd; None: too many, or another rate than the sums have by now.
    """

    done: int = 0
    uncrossed: int = 0
    used: int = 0
    first: CountedRow | None = None
    last: CountedRow | None = None
    at_end: bool = False
    cycles: int = 0
    ticks: int = 0
    spacing: Bins = Bins()
    least_us: int | None = None
    rate: float = 1.0
    noted: tuple[tuple[CountedRow, CountedRow], ...] | None = ()


class Shift(NamedTuple):
    """A zero that moved before a segment; ``of_range`` is None where the signal has no range."""

    segment: int
    shift: float
    of_range: float | None


class EdgeRow(NamedTuple):
    """A complete cycle with which the next ones may be compared: its segment and extremes."""

    segment: int
    peak_load: float | None
    valley_load: float | None
    motion_max: float | None
    motion_min: float | None


@dataclass(frozen=True)
class ShiftSums:
    """Zeros that moved, by signal, where that is final; and the cycles on which the next answers depend."""

    found: dict[str, tuple[Shift, ...]] = field(default_factory=dict)
    rows: tuple[EdgeRow, ...] = ()


class FlagCount(NamedTuple):
    """Cycles that carry a flag, and the number of the first complete one of them."""

    flag: int
    cycles: int
    first: int | None


@dataclass(frozen=True)
class RepeatSums:
    """Of one signal in the cycles that are measured: most repeats in a row, range, and its largest upper extreme."""

    repeats: Bins = Bins()
    range: Bins = Bins()
    largest: float = 0.0


class Longest(NamedTuple):
    """Most repeats in a row in a part of the cycles table: in complete rows, and in open ones.

    ``away``: how far the load stays from zero at most in an open row.
    """

    load: int
    motion: int
    open_load: int
    open_motion: int
    away: float | None


class CycleSums(State):
    """What remarks, counter and usual repeats need of the rows so far.

    Attributes
    ----------
    rows, complete, uncrossed : int
    span : (int, int) or None
        First start and last end of the complete cycles [µs].
    flags : tuple of FlagCount
    stiffnesses, negative : int
        Complete cycles with a secant stiffness, and with a negative one.
    periods : Bins
        Of complete cycles [s].
    samples : Bins
        Of the cycles that are measured; ``repeats`` of the same, by signal.
    shifts : ShiftSums
    counter : CounterSums or None
        None of a rig without a counter.
    """

    rows: int = 0
    complete: int = 0
    uncrossed: int = 0
    span: tuple[int, int] | None = None
    flags: tuple[FlagCount, ...] = ()
    stiffnesses: int = 0
    negative: int = 0
    periods: Bins = Bins()
    samples: Bins = Bins()
    repeats: dict[str, RepeatSums] = Field(default_factory=dict)
    shifts: ShiftSums = ShiftSums()
    counter: CounterSums | None = None
