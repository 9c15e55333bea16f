"""A clock coarser than the sampling: rows of one stamp, in the order of the file, get times of their own.

The k-th row of a stamp (from 0) is placed ``k / sample_rate`` after it, within the clock's step (its *tick*). A
stamp holds at most ``sample_rate x tick + 1`` rows; a row after that gets the time of the row before it, and the
clock rejects it. A row's time follows from its stamp and its number there alone, so that cutting changes nothing.

Where a stamp has at most half of its rows and the one before had more, rows are missing: no line of the log was
rejected for them, and no step between samples is longer than a gap. A reject of no rows says where.

The tick is the rig file's ``resolution``. Without it, the first :data:`HEAD` rows of the log decide: the greatest
common step of their stamps. It counts where rows of one stamp are usual, not too many in all for the declared rate,
and not single rows written twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import TimeConfig
from benchpipe.ingest.clock import FEW_LATE
from benchpipe.ingest.reading_state import PLACES, HeadState, TicksState
from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.kernels.compiled import compiled
from benchpipe.readers.batch import Reject
from benchpipe.store.manifest import Stamps

HEAD = 4096
LEAST_SHARE = 0.05  # of the first rows that have the stamp of the row before
SURELY = 1.05  # samples a tick, above which a few rows can show it; below, a glitch looks the same
FEW = 100  # rows that show it otherwise
LEAST_RATE = 0.999  # samples a tick, below which two rows never share a stamp
MOST_RATE = 1.5  # rows of the head over those that the declared rate gives
WRITTEN_TWICE = 0.9  # of the rows of one stamp that are as the row before, where others are not
MOST_ROWS = 1 << 17  # of a stamp, whatever a rig file declares
SECOND_US = 1_000_000
LEAST_LOST = 3  # rows that a stamp lacks; a logger that writes a row late moves one or two to the next stamp
THIN = "the stamp before it has half of its rows or fewer: rows are missing"


@dataclass
class _Head:
    """The first rows of a log, up to the first that has the stamp of the row before: steps of the clock so far.

    ``near_us`` is the sum of the steps that are no gaps; of those as long as a gap there are ``far``.
    """

    rows: int = 0
    last_us: int | None = None
    tick_us: int = 0
    near_us: int = 0
    far: int = 0

    def add(self, time: NDArray[np.int64], gap_us: int) -> None:
        """Add rows."""
        steps = np.diff(time) if self.last_us is None else np.diff(time, prepend=self.last_us)
        self.tick_us = gcd(self.tick_us, int(np.gcd.reduce(steps)) if steps.size else 0)
        self.near_us += int(steps[(steps > 0) & (steps < gap_us)].sum())
        self.far += int((steps >= gap_us).sum())
        self.rows += time.size
        self.last_us = int(time[-1])

    def span_us(self, least_us: int) -> int:
        """Time of the rows: a pause counts as the shortest that it may be, a gap or the clock's step."""
        return self.near_us + self.far * least_us


def most_rows(rate: float, tick_us: int) -> int:
    """So many rows one stamp may have."""
    return int(min(rate * tick_us * 1e-6 + 1e-9, MOST_ROWS)) + 1


def thin_at_border(
    stamps: Stamps, before: tuple[int, int], most: int, *, shared: bool
) -> Iterator[int]:
    """Rows of a log before which a stamp lacks rows, where only the log before it shows that.

    Parameters
    ----------
    stamps : Stamps
    before : (int, int)
        Rows of the last stamp of the log before, and of the stamp before that.
    most : int
        Rows that a stamp may have.
    shared : bool
        The log begins in the stamp in which the log before ends; else it begins with the next one.
    """
    last, (count, ahead) = most - 1, before
    if shared:
        count += stamps.first_rows
    else:
        if is_thin(count, ahead, last):
            yield stamps.first_row
        count, ahead = stamps.first_rows, count
    if stamps.second_row and is_thin(count, ahead, last):
        yield stamps.second_row
    known = is_thin(stamps.second_rows, stamps.first_rows, last)
    if stamps.third_row and not known and is_thin(stamps.second_rows, count, last):
        yield stamps.third_row


def offsets_us(rate: float, tick_us: int) -> NDArray[np.int64]:
    """Times of a stamp's rows after it [µs]; a last one that the clock's step has no room for is put in between."""
    at: NDArray[np.int64] = np.rint(np.arange(most_rows(rate, tick_us)) * (1e6 / rate)).astype(np.int64)
    if at.size > 1 and at[-1] >= tick_us:
        at[-1] = (at[-2] + tick_us) // 2
    return at


class Ticks:
    """Spreads the rows of each stamp of one log.

    Attributes
    ----------
    kept : int
        Rows that share the stamp of the row before, and were given a time of their own.
    thin : int
        Stamps that lack rows.
    decided : bool
        Rows to come cannot change the times of those that were given.
    """

    def __init__(self, config: TimeConfig, state: TicksState | None = None) -> None:
        declared = 0 if config.kind == "sample" else config.resolution_us
        self._rate, self._gap_us = config.sample_rate, round(1e6 * config.gap_s)
        self._tick: int | None = state.tick_us if state is not None else declared
        self._head = _Head(**asdict(state.head)) if state is not None else _Head()
        place = state.place if state is not None else ()
        self._place = np.array([*place, *[0] * (PLACES - len(place))], np.int64)
        self.kept, self.thin = (state.kept, state.thin) if state is not None else (0, 0)
        self._lacking: list[Reject] = []
        self._held: list[Rows] = []
        self.decided = True

    @property
    def tick_us(self) -> int:
        """Step of the clock where rows may share stamps, else 0."""
        return self._tick or 0

    @property
    def state(self) -> TicksState:
        """What another night needs to know."""
        head, place = HeadState(**asdict(self._head)), tuple(self._place.tolist())
        return TicksState(self._tick, head, place, self.kept, self.thin)

    @property
    def stamps(self) -> Stamps | None:
        """First and last stamp; None where each row has its own for certain, or there is none."""
        if self._tick == 0 or not self._place[BEGUN]:
            return None
        most = most_rows(self._rate, self.tick_us)
        first, rows, last, count = (int(self._place[k]) for k in (FIRST, FIRST_ROWS, TOP, COUNT))
        return Stamps(
            tick_us=self.tick_us, first_us=first, first_rows=min(rows, most), last_us=last, last_rows=min(count, most),
            first_row=int(self._place[FIRST_ROW]), second_row=max(int(self._place[SECOND_ROW]), 0),
            second_rows=int(self._place[SECOND_ROWS]), third_row=max(int(self._place[THIRD_ROW]), 0),
            before_rows=int(self._place[BEFORE]),
        )  # fmt: skip

    @property
    def text(self) -> str:
        """The remark on rows that were kept."""
        every = f"{self.tick_us / 1e6:g} s"
        return (
            f"the clock counts in steps of {every}, longer than a sample: {self.kept:,} row(s) with the time of "
            f"the row before are kept and spread by sample_rate; times are uncertain by {every}"
        )

    def lacking(self) -> list[Reject]:
        """Where rows are missing in what was spread since the last time: before the first row of the next stamp."""
        found, self._lacking = self._lacking, []
        return found

    def spread(self, rows: Rows) -> Rows:
        """The next rows that are sure, with a time for each row of a stamp; ``time_us`` is by the log's own clock."""
        if self._tick is None and len(rows):
            rows = self._look(rows)
        return self._spread(rows)

    def finish(self) -> Rows | None:
        """Rows that waited for more, at the end of the log."""
        if not self._held:
            return None
        self._tick, self.decided = self._found(), False
        rows, self._held = joined(self._held), []
        return self._spread(rows)

    def _look(self, rows: Rows) -> Rows:
        """Learn from the first rows; those that are sure."""
        head = self._head
        if not self._held:
            known = rows.time_us[: HEAD - head.rows]
            same = np.diff(known, prepend=known[0] - 1 if head.last_us is None else head.last_us) == 0
            plain = int(np.argmax(same)) if same.any() else known.size
            if plain:
                head.add(known[:plain], self._gap_us)
            if self._fine(head.tick_us) or (plain == known.size and head.rows >= HEAD):
                self._tick = 0
            if self._tick == 0 or plain == known.size:
                return rows
            sure, rows = rows.part(slice(0, plain)), rows.part(slice(plain, None))
        else:
            sure = rows.part(slice(0, 0))
        self._held.append(rows)
        if head.rows + sum(map(len, self._held)) < HEAD:
            return sure
        self._tick = self._found()
        rows, self._held = joined([sure, *self._held]), []
        return rows

    def _fine(self, tick_us: int) -> bool:
        return tick_us > 0 and self._rate * tick_us * 1e-6 < LEAST_RATE

    def _found(self) -> int:
        """The clock's step by the first rows of the log, or 0."""
        head, held = _Head(**asdict(self._head)), joined(self._held)
        held = held.part(slice(0, HEAD - head.rows))
        head.add(held.time_us, self._gap_us)
        tick = head.tick_us or gcd(int(held.time_us[0]), SECOND_US)
        per_tick, most = self._rate * tick * 1e-6, most_rows(self._rate, tick)
        same = np.diff(held.time_us) == 0
        alike = equal_rows(held.part(slice(0, -1)), held.part(slice(1, None)))
        usual = 1 + same.sum() >= LEAST_SHARE * head.rows and (per_tick >= SURELY or head.rows >= FEW)
        too_many = head.rows > MOST_RATE * self._rate * head.span_us(max(self._gap_us, tick)) * 1e-6 + most
        twice = same.any() and alike[same].mean() >= WRITTEN_TWICE and alike[~same].sum() < 0.5 * (~same).sum()
        sound = per_tick >= LEAST_RATE and usual and not too_many and not twice
        return tick if sound else 0

    def _spread(self, rows: Rows) -> Rows:
        if not len(rows) or self._tick == 0:
            return rows
        offsets = offsets_us(self._rate, self.tick_us)
        time, after = np.empty(len(rows), np.int64), np.zeros(len(rows), np.bool_)
        self.kept += _place(rows.time_us, rows.row, offsets, self.tick_us, self._place, time, after)
        self._lacking += [Reject(int(row), 0, THIN) for row in rows.row[after]]
        self.thin += int(after.sum())
        return rows.at(time)


BEGUN, TOP, COUNT, FIRST, FIRST_ROWS, LATE, LATE_COUNT, LATE_ROWS, BEFORE = range(9)
FIRST_ROW, SECOND_ROW, SECOND_ROWS, THIRD_ROW = range(9, PLACES)


@compiled
def is_thin(count: int, before: int, last: int) -> bool:
    """Whether a stamp of ``count`` rows, after one of ``before``, lacks rows: ``last`` are all but one."""
    return 2 * count <= last and last - count >= LEAST_LOST and 2 * before > last


@compiled
def _place(
    stamps: NDArray[np.int64], row: NDArray[np.int64], offsets: NDArray[np.int64], tick_us: int,
    place: NDArray[np.int64], out: NDArray[np.int64], after: NDArray[np.bool_],
) -> int:  # fmt: skip
    """Times of rows by their stamps and numbers there: how many rows that share a stamp got one.

    A few rows that come late are numbered by themselves, and the rows of the stamp before them go on. After more they
    may be the same rows again, or a clock that began again, and each stamp is numbered from its first row.

    Parameters
    ----------
    stamps, row : int64 arrays, shape (n,)
    offsets : int64 array, shape (most rows of a stamp,)
    tick_us : int
    place : int64 array, shape (PLACES,); in and out
    out : int64 array, shape (n,); out
    after : bool array, shape (n,), false; out. First rows of stamps, where the stamp before lacks rows
    """
    last = offsets.size - 1  # rows of a stamp, if the clock's step holds a whole number of them
    kept = 0
    for i in range(stamps.size):
        now = stamps[i]
        if place[BEGUN] == 0:
            place[FIRST_ROW] = row[i]
            place[BEGUN], place[TOP], place[COUNT], place[FIRST], place[FIRST_ROWS] = 1, now, 0, now, 0
        if now < place[TOP]:
            again = place[LATE_ROWS] > 0 and now == place[LATE]
            place[LATE_COUNT] = place[LATE_COUNT] + 1 if again else 0
            place[LATE] = now
            place[LATE_ROWS] += 1
            k = place[LATE_COUNT]
            if place[LATE_ROWS] > FEW_LATE:
                place[SECOND_ROW] = place[SECOND_ROW] if place[SECOND_ROW] else -1
                place[THIRD_ROW] = place[THIRD_ROW] if place[THIRD_ROW] else -1
                place[BEGUN], place[TOP], place[COUNT], place[LATE_ROWS], place[BEFORE] = 2, now, k + 1, 0, 0
        else:
            if now != place[TOP]:
                count, goes_on = place[COUNT], now - place[TOP] == tick_us
                after[i] = goes_on and is_thin(count, place[BEFORE], last)
                if place[BEGUN] == 1:
                    place[SECOND_ROW] = row[i] if goes_on else -1
                elif place[SECOND_ROW] > 0 and place[THIRD_ROW] == 0:
                    place[SECOND_ROWS], place[THIRD_ROW] = count, row[i] if goes_on else -1
                place[BEFORE] = count if goes_on else 0
                place[COUNT] = 0
            k = place[COUNT]
            place[TOP], place[COUNT], place[LATE_ROWS] = now, k + 1, 0
            if now != place[FIRST]:
                place[BEGUN] = 2
            elif place[BEGUN] == 1:
                place[FIRST_ROWS] += 1
        out[i] = now + offsets[min(k, last)]
        kept += 0 < k <= last
    return kept
