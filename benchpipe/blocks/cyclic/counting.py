"""Compare detected cycles with the rig's own counter: each difference gets a reason, or is reported as unexplained.

A counter restarts (reset), rolls over, ticks at any moment of the cycle, or only
every second cycle; and it goes on counting while nothing is logged. What remains is a fault of
the counter or of the detection, and is never explained away.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.blocks.cyclic.state import Counted, Kind

KINDS: tuple[Kind, ...] = ("gap", "stop", "uncrossed", "reset", "rollover", "tick", "unexplained")
RATES = (0.1, 0.2, 0.25, 1 / 3, 0.5, 1.0, 2.0)  # ticks a cycle that rigs are set to
ROUNDS = (10_000, 65_536, 100_000, 1_000_000)  # counters that come round
RATE_TOLERANCE = 0.1
STOP_CYCLES = 3.0  # a cycle that is not closed after so many is a stop
LEAST_ROWS = 5  # that show a spacing
AT_ONCE = 1 << 16  # rows
JUMP = 1.5  # ticks off between two neighbouring cycles that are no matter of the moment of the tick


@dataclass(frozen=True)
class CountDifference:
    """Cycles by which the counter went further than the detection, at one place.

    Attributes
    ----------
    kind : str
        ``gap``: counted while nothing was logged; ``stop``: parts of cycles at a stop; ``uncrossed``: load or motion
        went on and did not cross both thresholds; ``reset``, ``rollover``: what was counted besides while the counter
        began again or came round;
        ``tick``: at most one tick (one cycle) at the ends of a stretch; ``unexplained``.
    from_us, until_us : int
        Starts of the cycles between which it arose.
    cycles : float
        Counted less detected.
    """

    kind: Kind
    from_us: int
    until_us: int
    cycles: float


@dataclass(frozen=True)
class CountResult:
    """Cycles by detection and by the counter.

    Attributes
    ----------
    detected : int
        Complete cycles between the first and the last row with a counter.
    counted : float
        What the counter went on by, in cycles, resets and rollovers taken out.
    per_cycle : float
        Ticks a cycle (0.5: every second cycle).
    differences : tuple of CountDifference
        Their sum is ``counted - detected``.
    resets, rollovers : int
    n_used : int
        Rows with a counter.
    """

    detected: int
    counted: float
    per_cycle: float
    differences: tuple[CountDifference, ...]
    resets: int
    rollovers: int
    n_used: int

    def by_kind(self, kind: Kind) -> float:
        """Sum of the differences of one kind [cycles]."""
        return sum(d.cycles for d in self.differences if d.kind == kind)

    @property
    def state(self) -> Counted:
        """What a later step needs to know of it; single ticks at the ends of stretches are left out."""
        places = tuple((d.kind, d.from_us, d.until_us, d.cycles) for d in self.differences if d.kind != "tick")
        return Counted(self.detected, self.counted, self.per_cycle, self.resets, self.rollovers, places)

    @property
    def unexplained(self) -> float:
        """Cycles by which counter and detection are apart for no known reason, both ways added up."""
        return sum(abs(d.cycles) for d in self.differences if d.kind == "unexplained")


def rows_every(start_us: ArrayLike, counter: ArrayLike, frequency: float) -> int:
    """Every how many cycles a log of one row a cycle really has a row; 1 where each has one, or it is not known.

    Spacing says so, by the planned frequency, and the counter must agree where there is one: two ticks a row at the
    spacing of one cycle are a counter that ticks twice.

    Parameters
    ----------
    start_us : array_like of int64, shape (n,)
        Rising times of the rows.
    counter : array_like of float64, shape (n,)
        NaN where there is none.
    frequency : float
        Planned cycles a second.
    """
    start, count = np.asarray(start_us, np.int64), np.asarray(counter, np.float64)
    if start.size < LEAST_ROWS:
        return 1
    spacing = 1e-6 * float(np.median(np.diff(start))) * frequency
    ticks = np.diff(count)
    ticks = ticks[np.isfinite(ticks) & (ticks > 0)]
    every = round(spacing)
    if every < 2 or abs(spacing - every) > RATE_TOLERANCE * every:
        return 1
    if ticks.size and float(np.median(ticks)) != every:
        return 1
    return every


def reconcile(
    start_us: ArrayLike,
    counter: ArrayLike,
    complete: ArrayLike,
    segment: ArrayLike,
    stopped: ArrayLike | None = None,
    restarts_us: ArrayLike = (),
    every: int = 1,
    uncrossed: ArrayLike | None = None,
) -> CountResult:
    """Hold detected cycles against the counter.

    Parameters
    ----------
    start_us : array_like of int64, shape (n,)
        Rising starts of the rows of a cycles table.
    counter : array_like of float64, shape (n,)
        The counter at each start; NaN where there is none.
    complete : array_like of bool, shape (n,)
    segment : array_like of int, shape (n,)
        Stretch between gaps and stops that the cycle lies in.
    stopped : array_like of bool, shape (n,), optional
        The row is open, and the log went on to show that the rig stood: nothing was counted unseen.
    restarts_us : array_like of int64
        Times at which the log's clock began again. How long each pause was is not known: any number of cycles may
        have gone by, and a counter that goes back there was reset, unless it stood just before its end.
    every : int
        Only every so many cycles have a row: the others went by while nothing was logged.
    uncrossed : array_like of int, shape (n,), optional
        Cycles in each row that were seen and not found.

    Returns
    -------
    CountResult
    """
    start, count = np.asarray(start_us, np.int64), np.asarray(counter, np.float64)
    complete_before = np.concatenate(([0], np.cumsum(np.asarray(complete, bool))))
    used = np.flatnonzero(np.isfinite(count))
    if used.size < 2:
        return CountResult(0, 0.0, 1.0, (), 0, 0, int(used.size))
    where: Any = used if used.size < start.size else slice(start.size)  # a copy of nothing where all rows have it
    rows = _Rows(start[where], count[where], complete_before[where], np.asarray(segment)[where])
    rate, period = _rate(rows, every), _period(rows)
    at = _noted(rows, rate, every)
    ticks, cycles, border = rows.pairs(at)
    stood = np.zeros(at.size, bool) if stopped is None else np.asarray(stopped, bool)[where][at]
    step = (rows.start[at + 1] - rows.start[at]).astype(np.float64)
    allowed = every * (1.25 * step / max(period, 1.0) + 1.0)
    cycles = cycles * every
    allowed = np.where(stood, np.minimum(allowed, STOP_CYCLES), allowed)
    restarts = np.asarray(restarts_us, np.int64)
    passed = np.searchsorted(restarts, rows.start[at + 1], "right") - np.searchsorted(restarts, rows.start[at], "right")
    unknown = border & (passed > 0)
    round_ = np.where(unknown, np.minimum(allowed, STOP_CYCLES), allowed)
    allowed = np.where(unknown & ~stood, np.inf, allowed)
    kinds, real = _breaks((rows.count[at], rows.count[at + 1]), ticks, cycles, border, stood, rate, allowed, round_)
    if uncrossed is not None:
        moved_before = np.concatenate(([0], np.cumsum(uncrossed)))[where]
        moved = moved_before[at + 1] - moved_before[at]
        off = np.abs(real - rate * cycles) > JUMP
        kinds[off & (moved > 0) & (np.abs(real - rate * (cycles + moved)) <= JUMP + rate)] = KINDS.index("uncrossed")
    seen = int(rows.done[-1] - rows.done[0])
    differences = _differences(rows, at, kinds, real / rate - cycles, rate, every)
    if every > 1 and seen:
        gap = CountDifference("gap", int(rows.start[0]), int(rows.start[-1]), float((every - 1) * seen))
        differences.append(gap)
    return CountResult(
        detected=seen,
        counted=float((rows.count[-1] - rows.count[0] + (real - ticks).sum()) / rate),
        per_cycle=rate,
        differences=tuple(differences),
        resets=int((kinds == KINDS.index("reset")).sum()),
        rollovers=int((kinds == KINDS.index("rollover")).sum()),
        n_used=int(used.size),
    )


@dataclass(frozen=True, eq=False)
class _Rows:
    """Rows that have a counter; ``done`` are the complete cycles before each.

    Of millions of rows few are remarkable: what lies between two of them is a difference of counts.
    """

    start: NDArray[np.int64]
    count: NDArray[np.float64]
    done: NDArray[np.int64]
    segment: NDArray[Any]

    def pairs(self, at: Any) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
        """Ticks and cycles from the rows ``at`` to the ones after, and whether a segment ends between them."""
        after = slice(at.start + 1, at.stop + 1) if isinstance(at, slice) else at + 1
        cycles = (self.done[after] - self.done[at]).astype(np.float64)
        return self.count[after] - self.count[at], cycles, self.segment[after] != self.segment[at]

    def blocks(self) -> Iterator[slice]:
        """All rows but the last, so many at a time: arrays over all of them would take gigabytes in a long run."""
        for first in range(0, self.count.size - 1, AT_ONCE):
            yield slice(first, min(first + AT_ONCE, self.count.size - 1))


def _rate(rows: _Rows, every: int) -> float:
    """Ticks a cycle: the nearest of RATES, 1 where none is near."""
    total, counted = 0.0, 0.0
    for block in rows.blocks():
        ticks, cycles, border = rows.pairs(block)
        cycles *= every
        plain = ~border & (ticks >= 0) & (ticks <= 3 * cycles + 1)
        total, counted = total + float(cycles[plain].sum()), counted + float(ticks[plain].sum())
    seen = counted / total if total else 0.0
    if seen <= 0.0:
        return 1.0
    near = min(RATES, key=lambda rate: abs(log(seen / rate)))
    slack = 1.0 / total  # a tick at either end
    return near if abs(seen - near) <= RATE_TOLERANCE * near + slack else 1.0


def _period(rows: _Rows) -> float:
    """The usual time from one row to the next [µs]."""
    steps = np.diff(rows.start)
    plain = (rows.segment[1:] == rows.segment[:-1]) & (np.diff(rows.done) == 1)
    return float(np.median(steps[plain])) if plain.any() else float(steps.min()) or 1.0


def _noted(rows: _Rows, rate: float, every: int) -> NDArray[np.int64]:
    """Rows after which a segment ends, the counter goes back, or it goes on by other than the cycles' ticks."""
    found = []
    for block in rows.blocks():
        ticks, cycles, border = rows.pairs(block)
        off = np.abs(ticks - rate * every * cycles) > JUMP
        found.append(block.start + np.flatnonzero(border | (ticks < 0) | off))
    return np.concatenate(found)


def _breaks(
    counts: tuple[NDArray[np.float64], NDArray[np.float64]], ticks: NDArray[np.float64], cycles: NDArray[np.float64],
    border: NDArray[np.bool_], stood: NDArray[np.bool_], rate: float, allowed: NDArray[np.float64],
    around: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:  # fmt: skip
    """What happens after rows that are noted, and the ticks that really were; ``counts`` are those before and after."""
    kinds = np.full(ticks.size, KINDS.index("unexplained"))
    ticks = ticks.copy()
    most = allowed * rate + 1.0
    off = np.abs(ticks - rate * cycles) > JUMP
    kinds[border & (ticks >= 0)] = KINDS.index("stop")
    kinds[border & off & (ticks >= 0) & (ticks <= most) & ~stood] = KINDS.index("gap")
    kinds[off & (ticks >= 0) & (~border | (ticks > most))] = KINDS.index("unexplained")
    for k in np.flatnonzero(ticks < 0).tolist():
        kinds[k], ticks[k] = _back(counts[0][k], counts[1][k], most[k], around[k] * rate + 1.0)
    return kinds, ticks


def _back(last: float, now: float, most: float, most_round: float) -> tuple[int, float]:
    """A counter that went back: what it is, and the ticks that really were."""
    for around in ROUNDS:
        if last < around and 0 <= now - last + around <= most_round:
            return KINDS.index("rollover"), now - last + around
    if 0 <= now <= most:
        return KINDS.index("reset"), now
    return KINDS.index("unexplained"), now - last


def _differences(
    rows: _Rows, noted: NDArray[np.int64], kinds: NDArray[np.int64], extra: NDArray[np.float64], rate: float, every: int
) -> list[CountDifference]:
    """Differences after rows that are noted, and of the whole stretches between them."""
    found = []
    last, tick = rows.count.size - 1, max(1.0 / rate, 1.0)
    begins, ends = [0, *(noted + 1).tolist()], [*noted.tolist(), last]
    for k, (first, here) in enumerate(zip(begins, ends, strict=True)):
        cycles = every * int(rows.done[here] - rows.done[first])
        between = float(rows.count[here] - rows.count[first]) / rate - cycles
        if abs(between) > 1e-9:
            kind: Kind = "tick" if abs(between) <= tick + 1e-9 else "unexplained"
            found.append(CountDifference(kind, int(rows.start[first]), int(rows.start[here]), between))
        if here < last and k < noted.size and abs(extra[k]) > 1e-9:
            what = KINDS[int(kinds[k])]
            found.append(CountDifference(what, int(rows.start[here]), int(rows.start[here + 1]), float(extra[k])))
    return found
