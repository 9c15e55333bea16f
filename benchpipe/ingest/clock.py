"""The log's time column → rising microseconds.

A row that comes within a gap's length after a later one (or at the same time) is dropped: as a
repeat where the same content is there already, else as a reject. Where the clock goes
back further, the rows are kept until it is clear what happened:

- The same rows again, after a resume: dropped by time and content, and counted.
- A few rows that come late, and then the log goes on: rejects.
- Elapsed time that restarts: placed :data:`RESTART_PAUSE_US` after the last row, so that no cycle can
  span it, since the length of the pause is not known.
- A time of day that restarts: the next day.
- A dated clock that goes back: by one hour to the step, the end of summer time, and the rows go on
  without a gap; by anything else, a clock that was set, and they go on after a gap. They stay moved
  until the clock itself is ahead again after a gap.

A dated clock that goes ahead by one hour to the step, from a full hour on, is reported as the begin of
summer time; it stays a gap, as an hour's stop would be.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import TimeConfig
from benchpipe.ingest.native_time import FARTHEST_US
from benchpipe.ingest.reading_state import ClockState
from benchpipe.ingest.rows import Rows, equal_rows, joined
from benchpipe.kernels.compiled import compiled
from benchpipe.readers.batch import Reject, stretches
from benchpipe.store.pauses import RESTART_PAUSE_US

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
MOST_HELD = 1 << 18  # rows that are looked back for a repeat
LEAST_UNLIKE = 8  # rows of other content, after which rows of the same content must be the most
FEW = 1 << 10  # rows that are first tried together where not all of a block go at once
WINDOW = 1 << 13  # rows that are looked at together where times are uneven
FEW_LATE = 3  # rows that come late, after which the log goes on, however near
LATE = "the time does not rise"

ClockEvent = Literal[
    "restart", "next day", "begin of summer time", "end of summer time", "clock set back", "clock ahead again"
]


@dataclass
class PlacedRows:
    """Rows with their places, those that have none, and what the clock did.

    ``early`` are late rows before the log's first: an earlier log may hold them. ``repeats`` counts rows that stood
    there before, ``gaps`` steps far longer than those before and after; ``restarts`` are the places of the first rows
    after an elapsed clock began again; ``events`` are in the order they were seen; ``places`` has the row after the
    first of each, ``"gap"`` included.
    """

    rows: list[Rows] = field(default_factory=list)
    early: list[Rows] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    repeats: int = 0
    gaps: int = 0
    events: list[ClockEvent] = field(default_factory=list)
    restarts: list[int] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=dict)

    def see(self, event: ClockEvent, row: int, times: int = 1) -> None:
        """Note what the clock did before a row."""
        self.events += [event] * times
        if times:
            self.places.setdefault(event, row)


@compiled
def _steps(times: NDArray[np.int64]) -> tuple[int, int]:
    """Smallest and largest step between neighbours; of fewer than two, the largest and smallest number there is."""
    least, most = 1 << 62, -(1 << 62)
    for k in range(1, times.size):
        step = times[k] - times[k - 1]
        least = min(least, step)
        most = max(most, step)
    return least, most


def step_back(config: TimeConfig, now: int, native: int, last: int) -> tuple[int, ClockEvent]:
    """How a clock goes on that went back from ``native`` (placed at ``last``) to ``now``: new shift, and why."""
    gap, step = round(1e6 * config.gap_s), round(1e6 / config.sample_rate)
    if config.kind == "datetime" and not config.dated and native - now > DAY_US // 2:
        return last - native + DAY_US, "next day"
    if config.dated:
        if abs(native + step - now - HOUR_US) <= gap:
            shift = last - native + HOUR_US
            return shift if now + shift > last else last + step - now, "end of summer time"
        return last + gap + step - now, "clock set back"
    return last + RESTART_PAUSE_US - now, "restart"


class Clock:
    """Puts the rows of one log on its own rising axis.

    Attributes
    ----------
    first_us, last_us : int or None
        Ends of the axis.
    native_last_us : int or None
        The last row's time by the log's own clock.
    """

    def __init__(self, config: TimeConfig, state: ClockState | None = None, before: Rows | None = None) -> None:
        """Begin, or go on from the ``state`` of another night with the rows that were taken last.

        ``before`` are up to :data:`MOST_HELD` rows by the log's own clock, none before ``state.since_us``.
        """
        self._config = config
        self._gap_us = round(1e6 * config.gap_s)
        known = state or ClockState()
        self.first_us = known.first_us
        self.last_us = known.last_us
        self.native_last_us = known.native_last_us
        self._since_us = known.since_us
        self._shift = known.shift_us
        self._history = [before] if before is not None and len(before) else []
        self._begins = [int(piece.time_us[0]) for piece in self._history]
        self._ends = [len(piece) for piece in self._history]
        self._steps = list(known.steps)  # the last two, and the rows after them
        self._held: Rows | None = None

    @property
    def state(self) -> ClockState:
        """What another night needs to know."""
        ends = (self.first_us, self.last_us, self.native_last_us)
        return ClockState(*ends, self._since_us, self._shift, tuple(self._steps))

    @property
    def holds(self) -> bool:
        """Whether rows wait for those that come: what they are is not plain yet."""
        return self._held is not None

    def place(self, rows: Rows) -> PlacedRows:
        """Place the next rows; ``rows.time_us`` is by the log's own clock."""
        out = PlacedRows()
        if self._held is not None:
            rows, self._held = joined([self._held, rows]), None
        self._go_on(rows, out, ended=False)
        return out

    def finish(self) -> PlacedRows:
        """Place what is held at the end of the log."""
        out = PlacedRows()
        if self._held is not None:
            rows, self._held = self._held, None
            self._go_on(rows, out, ended=True)
        return out

    def _go_on(self, rows: Rows, out: PlacedRows, *, ended: bool) -> None:
        if not len(rows):
            return
        native, last = rows.time_us, self.native_last_us
        rising = _steps(native)[0] > 0
        down = np.empty(0, np.int64) if rising else np.flatnonzero(np.diff(native) <= 0) + 1
        at, width = 0, len(rows)
        later = width if rising and (last is None or native[0] > last) else 0
        while at < len(rows):
            if at >= later:  # first all at once, else few, and more and more while that goes well
                taken = self._take_without_lone(rows.part(slice(at, at + width)), out)
                at, width = at + taken, 2 * width if taken else FEW
                later = at if taken else at + width
                if taken:
                    continue
            last = self.native_last_us
            if last is None or native[at] > last:
                which = int(np.searchsorted(down, at, "right"))
                end = int(down[which]) if which < down.size else len(rows)
                at += self._take(rows.part(slice(at, end)), out)
            elif native[at] >= last - self._gap_us:
                at += self._uneven(rows.part(slice(at, at + WINDOW)), last, out)
            else:
                end = at + _first_above(native[at:], last)
                done = self._fallen(rows.part(slice(at, end + 1)), end - at, out, ended=ended or end < len(rows))
                if done is None:
                    self._held = rows.part(slice(at, None))
                    return
                at += done

    def _take_without_lone(self, rows: Rows, out: PlacedRows) -> int:
        """Take rows that rise but for single ones that come late, all at once: how many; 0 where it is not so.

        It only saves time: one by one, such rows meet the same fate. A last one that is late waits for the next.
        """
        last = self.native_last_us
        if len(rows) < 3 or last is None or (self._shift and self._config.dated):
            return 0
        if rows.time_us[-1] <= rows.time_us[-2]:
            rows = rows.part(slice(0, -1))
        native = rows.time_us
        before, after = np.concatenate(([last], native[:-1])), native[1:]
        lone = native <= before
        lone[-1] = False
        lone[:-1] &= (after > before[:-1]) & (after <= before[:-1] + self._gap_us)
        if not lone.any():
            return 0
        rises, late = rows.part(~lone), rows.part(lone)
        rising = rises.time_us[0] > last and bool((np.diff(rises.time_us) > 0).all())
        forgotten = (late.time_us >= self._earliest()) & (late.time_us < self._earliest(len(rises)))
        if not rising or bool(forgotten.any()):  # of them more may be known now than in a moment
            return 0
        self._take(rises, out)
        order = np.argsort(late.time_us, kind="stable")
        same = np.zeros(len(late), bool)
        same[order] = self._seen_before(late.part(order))
        out.repeats += int(same.sum())
        self._reject(late.part(~same), out)
        return len(rows)

    def _uneven(self, rows: Rows, last: int, out: PlacedRows) -> int:
        """Take the rows that rise and drop those a little late, up to where the clock falls back: how many."""
        native = rows.time_us
        before = np.concatenate(([last], np.maximum.accumulate(np.maximum(native, last))[:-1]))
        fallen = np.flatnonzero(native < before - self._gap_us)
        n = int(fallen[0]) if fallen.size else len(rows)
        rises = np.flatnonzero(native[:n] > before[:n])
        taken = self._take(rows.part(rises), out)
        if taken < rises.size:
            n = int(rises[taken])
        late = np.ones(n, bool)
        late[rises[:taken]] = False
        self._late(rows.part(np.flatnonzero(late)), out)
        return n

    def _late(self, rows: Rows, out: PlacedRows) -> None:
        """Rows that come a little late: repeats by content, or rejects."""
        if len(rows):
            same = self._seen_before(rows)
            out.repeats += int(same.sum())
            self._reject(rows.part(~same), out)

    def _reject(self, rows: Rows, out: PlacedRows) -> None:
        """Reject late rows, but for those that an earlier log may hold: none after the clock fell back for good."""
        if self.first_us == self._since_us and (early := rows.time_us < (self.first_us or 0)).any():
            out.early.append(rows.part(early))
            rows = rows.part(~early)
        out.rejects.extend(stretches(rows.row, LATE))

    def _take(self, rows: Rows, out: PlacedRows) -> int:
        """Take rising rows, up to where a clock that was set back is ahead again: how many."""
        if not len(rows):
            return 0
        n = self._until_ahead(rows, out) if self._shift and self._config.dated else len(rows)
        taken = rows.part(slice(0, n)) if n < len(rows) else rows
        placed = taken.at(taken.time_us + self._shift) if self._shift else taken
        self._see_gaps(taken, out)  # before the places are set
        self.first_us = int(placed.time_us[0]) if self.first_us is None else self.first_us
        self._since_us = int(placed.time_us[0]) if self._since_us is None else self._since_us
        self.last_us, self.native_last_us = int(placed.time_us[-1]), int(taken.time_us[-1])
        self._remember(taken)
        out.rows.append(placed)
        return n

    def _see_gaps(self, rows: Rows, out: PlacedRows) -> None:
        """Count gaps: steps far longer than those before and after. A slower rate is none."""
        last = [] if self._since_us is None or self.native_last_us is None else [self.native_last_us]
        time, row = rows.time_us, rows.row
        first = int(time[0]) - last[0] if last else 0
        if len(rows) > 2 and max(_steps(time)[1], first, *(step for step, _ in self._steps)) <= self._gap_us:
            self._steps = [(int(time[k] - time[k - 1]), int(row[k])) for k in (-2, -1)]
            return
        times = np.concatenate((np.array(last, np.int64), time))
        fresh = np.stack((np.diff(times), rows.row[1 - len(last) :]), axis=1)
        steps, after_step = np.concatenate((np.array(self._steps, np.int64).reshape(-1, 2), fresh)).T
        self._steps = [(int(a), int(b)) for a, b in zip(steps[-2:], after_step[-2:], strict=True)]
        if not (steps > self._gap_us).any():
            return
        if self._config.dated:
            due = times[:-1] + round(1e6 / self._config.sample_rate)
            on_hour = (due + self._gap_us) % HOUR_US <= 2 * self._gap_us
            ahead = on_hour & (np.abs(times[1:] - due - HOUR_US) <= self._gap_us)
            if ahead.any():
                out.see("begin of summer time", int(fresh[np.argmax(ahead), 1]), int(ahead.sum()))
        most = self._config.gap_samples
        here, before, after = steps[1:-1], steps[:-2], steps[2:]
        gaps = (here > self._gap_us) & (here > most * before) & (here > most * after)
        if gaps.any():
            out.gaps += int(gaps.sum())
            out.places.setdefault("gap", int(after_step[1:-1][np.argmax(gaps)]))

    def _until_ahead(self, rows: Rows, out: PlacedRows) -> int:
        """Rows until the clock is ahead by itself: after a gap longer than it was set back by."""
        native = rows.time_us
        start = native[0] - 1 if self.native_last_us is None else self.native_last_us
        before = np.concatenate(([start], native[:-1]))
        ahead = np.flatnonzero(native > before + self._shift + self._gap_us)
        if ahead.size and ahead[0] == 0:
            self._shift = 0
            out.see("clock ahead again", int(rows.row[0]))
            return int(native.size)
        return int(ahead[0]) if ahead.size else int(native.size)

    def _fallen(self, rows: Rows, n: int, out: PlacedRows, *, ended: bool) -> int | None:
        """Decide on the first ``n`` rows after the clock fell back: how many are done, None where more must be seen.

        The row after them, if there is one, is later than all before.
        """
        native, last = self.native_last_us, self.last_us
        if native is None or last is None:
            return 0
        block = rows.part(slice(0, n))
        same = self._seen_before(block)
        alike, unlike = np.cumsum(same), np.cumsum(~same & (block.time_us >= self._earliest()))
        other = bool((unlike > alike + LEAST_UNLIKE).any())
        if not (ended or other) and n < 2 * MOST_HELD:
            return None
        again = not other and 0 < int(alike[-1]) >= int(unlike[-1])
        after = int(rows.time_us[n]) if n < len(rows) else native + 1
        far = n <= FEW_LATE or after - int(rows.time_us[n - 1]) > self._gap_us
        goes_on = n < len(rows) and after - native <= self._gap_us and far
        if again or (goes_on and not other):
            out.repeats += int(alike[-1])
            self._reject(block.part(~same), out)
            return n
        now = int(rows.time_us[0])
        self._shift, event = step_back(self._config, now, native, last)
        out.see(event, int(rows.row[0]))
        out.restarts += [now + self._shift] if event == "restart" else []
        self._history, self._begins, self._ends, self._since_us, self._steps = [], [], [], None, []
        self.native_last_us = now - 1
        return 0

    def _remember(self, rows: Rows) -> None:
        self._history.append(rows)
        self._begins.append(int(rows.time_us[0]))
        self._ends.append((self._ends[-1] if self._ends else 0) + len(rows))
        oldest = bisect_right(self._ends, self._ends[-1] - MOST_HELD)
        if 2 * oldest > len(self._history):
            del self._history[:oldest], self._begins[:oldest], self._ends[:oldest]

    def _earliest(self, more: int = 0) -> int:
        """Time of the first row that is looked back to (after some more): of rows before it nothing is known."""
        first = self._ends[-1] + more - MOST_HELD if self._history else 0
        which = bisect_right(self._ends, first)
        if which == len(self._history):
            return FARTHEST_US
        begun = self._ends[which] - len(self._history[which])
        return int(self._history[which].time_us[max(first - begun, 0)])

    def _seen_before(self, rows: Rows) -> NDArray[np.bool_]:
        """Which rows stand among the last ones, at the same time with the same content."""
        same = np.zeros(len(rows), bool)
        earliest = self._earliest()
        begin = 0
        while begin < len(rows):
            now = int(rows.time_us[begin])
            which = bisect_right(self._begins, now) - 1
            until = self._begins[which + 1] if which + 1 < len(self._begins) else FARTHEST_US
            leaves = (rows.time_us[begin:] < now) | (rows.time_us[begin:] >= until)
            end = begin + (int(np.argmax(leaves)) if leaves.any() else len(leaves))
            if which >= 0:
                piece, some = self._history[which], rows.part(slice(begin, end))
                at = np.minimum(np.searchsorted(piece.time_us, some.time_us), len(piece) - 1)
                found = (piece.time_us[at] == some.time_us) & (some.time_us >= earliest)
                same[begin:end] = found & equal_rows(some, piece.part(at))
            begin = end
        return same


def _first_above(native: NDArray[np.int64], last: int) -> int:
    """Rows before the first that is later than ``last``; the nearest are looked at first."""
    begin, width = 0, 64
    while begin < native.size:
        found = np.flatnonzero(native[begin : begin + width] > last)
        if found.size:
            return begin + int(found[0])
        begin, width = begin + width, width * 16
    return int(native.size)
