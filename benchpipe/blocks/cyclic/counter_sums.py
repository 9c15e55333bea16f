"""Sums over the rows of a cycles table that have the rig's counter: what the comparison needs of them.

Rows come part by part. Two neighbours between which something is odd are kept with all that their reason depends on;
what lies between two such places is a difference of counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.blocks.cyclic.bins import with_values
from benchpipe.blocks.cyclic.running import CountedRow, CounterSums

RATES = (0.1, 0.2, 0.25, 1 / 3, 0.5, 1.0, 2.0)  # ticks a cycle that rigs are set to
RATE_TOLERANCE = 0.1
JUMP = 1.5  # ticks off between two neighbouring cycles that are no matter of the moment of the tick
AT_ONCE = 1 << 16  # rows
MOST_NOTED = 200  # pairs of rows in a state: of more, the columns are read
TICK_PARTS = 1 << 20  # of a tick, in which ticks are added up: whole numbers in any order


def counter_then(
    sums: CounterSums,
    start_us: ArrayLike,
    counter: ArrayLike,
    complete: ArrayLike,
    segment: ArrayLike,
    stopped: ArrayLike | None = None,
    uncrossed: ArrayLike | None = None,
) -> CounterSums:
    """Sums that go on with more rows, arguments as those of :func:`reconcile`."""
    after, rows, at = taken(sums, start_us, counter, complete, segment, stopped, uncrossed)
    known = sums.noted if sums.rate == after.rate or sums.used < 2 else None
    if known is None or len(known) + at.size > MOST_NOTED:
        return replace(after, noted=None, rate=after.rate if known is not None else sums.rate)
    return replace(after, noted=(*known, *zip(rows.at(at).each(), rows.at(at + 1).each(), strict=True)))


def is_stale(sums: CounterSums) -> bool:
    """Whether pairs of rows were noted by another rate than the sums have by now: all rows have to be read again."""
    return sums.noted is None and sums.rate != _rate(sums.cycles, sums.ticks)


@dataclass(frozen=True, eq=False)
class CountedRows:
    """Rows that have a counter; ``done`` and ``moved`` are the cycles before each, complete and not found.

    Of millions of rows few are remarkable: what lies between two of them is a difference of counts.
    """

    start: NDArray[np.int64]
    count: NDArray[np.float64]
    done: NDArray[np.int64]
    segment: NDArray[Any]
    moved: NDArray[np.int64]
    stood: NDArray[np.bool_]

    @property
    def columns(self) -> tuple[NDArray[Any], ...]:
        """Its arrays, in the order of a CountedRow."""
        return self.start, self.count, self.done, self.segment, self.moved, self.stood

    def at(self, where: Any) -> CountedRows:
        """Some of the rows."""
        return CountedRows(*(column[where] for column in self.columns))

    def each(self) -> Iterator[CountedRow]:
        """One by one, as a state keeps them."""
        return map(CountedRow, *(column.tolist() for column in self.columns))

    def pairs(self, at: Any) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
        """Ticks and cycles from the rows ``at`` to the ones after, and whether a segment ends between them."""
        after = slice(at.start + 1, at.stop + 1)
        cycles = (self.done[after] - self.done[at]).astype(np.float64)
        return self.count[after] - self.count[at], cycles, self.segment[after] != self.segment[at]

    def blocks(self) -> Iterator[slice]:
        """All rows but the last, so many at a time: arrays over all of them would take gigabytes in a long run."""
        for first in range(0, self.count.size - 1, AT_ONCE):
            yield slice(first, min(first + AT_ONCE, self.count.size - 1))


def rows_of(rows: Sequence[CountedRow]) -> CountedRows:
    """Rows of a state as arrays."""
    columns = zip(*rows, strict=True) if rows else [()] * len(CountedRow._fields)
    types = (np.int64, np.float64, np.int64, np.int64, np.int64, bool)
    return CountedRows(*(np.array(column, kind) for column, kind in zip(columns, types, strict=True)))


def taken(
    sums: CounterSums, start_us: ArrayLike, counter: ArrayLike, complete: ArrayLike, segment: ArrayLike,
    stopped: ArrayLike | None, uncrossed: ArrayLike | None, every: int = 1,
) -> tuple[CounterSums, CountedRows, NDArray[np.int64]]:  # fmt: skip
    """Sums with more rows, ``noted`` as it was; those rows, after the last one of before; where they go on oddly."""
    start, count = np.asarray(start_us, np.int64), np.asarray(counter, np.float64)
    none = np.zeros(start.size, bool)
    done = np.cumsum(np.concatenate(([sums.done], np.asarray(complete, bool))))
    passed = none if uncrossed is None else np.nan_to_num(np.asarray(uncrossed)).astype(np.int64)  # null in old tables
    moved = np.cumsum(np.concatenate(([sums.uncrossed], passed)))
    stood = none if stopped is None else np.asarray(stopped, bool)
    used = np.flatnonzero(np.isfinite(count))
    where: Any = used if used.size < start.size else slice(start.size)  # a copy of nothing where all rows have it
    rows = CountedRows(start[where], count[where], done[where], np.asarray(segment)[where], moved[where], stood[where])
    if sums.last is not None:
        last = rows_of([sums.last])
        rows = CountedRows(*map(np.concatenate, zip(last.columns, rows.columns, strict=True)))
    cycles, ticks = _plain(rows, every)
    cycles, ticks = sums.cycles + cycles, sums.ticks + ticks
    rate = _rate(cycles, ticks)
    steps = np.diff(rows.start)
    least = ([] if sums.least_us is None else [sums.least_us]) + ([int(steps.min())] if steps.size else [])
    noted = _noted(rows, rate, every)
    ends = list(rows.at([0, -1]).each()) if rows.count.size else [None, None]
    after = CounterSums(
        done=int(done[-1]), uncrossed=int(moved[-1]), used=sums.used + int(used.size), first=sums.first or ends[0],
        last=ends[1], at_end=bool(np.isfinite(count[-1])) if count.size else sums.at_end, cycles=cycles, ticks=ticks,
        spacing=with_values(sums.spacing, neighbours(rows)), least_us=min(least, default=None), rate=rate,
        noted=sums.noted,
    )  # fmt: skip
    return after, rows, noted


def _plain(rows: CountedRows, every: int) -> tuple[int, int]:
    """Cycles, and ticks in parts of 2^-20, from row to row where nothing is odd; ticks are whole as a rule."""
    total, counted = 0, 0
    for block in rows.blocks():
        ticks, cycles, border = rows.pairs(block)
        cycles *= every
        plain = ~border & (ticks >= 0) & (ticks <= 3 * cycles + 1)
        total += int(cycles[plain].sum())
        counted += int(np.rint(ticks[plain] * TICK_PARTS).astype(np.int64).sum())
    return total, counted


def _rate(cycles: int, tick_parts: int) -> float:
    """Ticks a cycle: the nearest of RATES, 1 where none is near."""
    seen = tick_parts / TICK_PARTS / cycles if cycles else 0.0
    if seen <= 0.0:
        return 1.0
    near = min(RATES, key=lambda rate: abs(log(seen / rate)))
    slack = 1.0 / cycles  # a tick at either end
    return near if abs(seen - near) <= RATE_TOLERANCE * near + slack else 1.0


def neighbours(rows: CountedRows) -> NDArray[np.int64]:
    """Times from one row to the next where that is the next complete cycle [µs]."""
    plain = (rows.segment[1:] == rows.segment[:-1]) & (np.diff(rows.done) == 1)
    return np.asarray(np.diff(rows.start)[plain])


def _noted(rows: CountedRows, rate: float, every: int) -> NDArray[np.int64]:
    """Rows after which a segment ends, the counter goes back, or it goes on by other than the cycles' ticks."""
    found = [np.empty(0, np.int64)]
    for block in rows.blocks():
        ticks, cycles, border = rows.pairs(block)
        off = np.abs(ticks - rate * every * cycles) > JUMP
        found.append(block.start + np.flatnonzero(border | (ticks < 0) | off))
    return np.concatenate(found)
