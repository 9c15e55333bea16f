"""Compare detected cycles with the rig's own counter: each difference gets a reason, or is reported as unexplained.

A counter restarts (reset), rolls over, ticks at any moment of the cycle, or only
every second cycle; and it goes on counting while nothing is logged. What remains is a fault of
the counter or of the detection, and is never explained away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.blocks.cyclic.bins import median_between
from benchpipe.blocks.cyclic.counter_sums import JUMP, RATE_TOLERANCE, CountedRows, neighbours, rows_of, taken
from benchpipe.blocks.cyclic.running import CountedRow, CounterSums
from benchpipe.blocks.cyclic.state import Counted, Kind

KINDS: tuple[Kind, ...] = ("gap", "stop", "uncrossed", "reset", "rollover", "tick", "unexplained")
ROUNDS = (10_000, 65_536, 100_000, 1_000_000)  # counters that come round
STOP_CYCLES = 3.0  # a cycle that is not closed after so many is a stop
LEAST_ROWS = 5  # that show a spacing


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
    columns = (start_us, counter, complete, segment, stopped, uncrossed)
    sums, rows, at = taken(CounterSums(), *columns, every=every)
    steps = neighbours(rows)
    period_us = float(np.median(steps)) if steps.size else None
    return _result(sums, rows.at(at), rows.at(at + 1), period_us, restarts_us, every)


def counter_result(sums: CounterSums, restarts_us: ArrayLike = ()) -> CountResult | None:
    """What :func:`reconcile` says of all rows that were summed; None where the sums do not tell.

    They do not where the odd places are not known, or where a reason depends on the last digits of the usual period.
    """
    if sums.noted is None:
        return None
    before, after = (rows_of([pair[k] for pair in sums.noted]) for k in (0, 1))
    periods = median_between(sums.spacing) if sums.spacing.counts else (None, None)
    one, other = (_result(sums, before, after, period_us, restarts_us) for period_us in periods)
    return one if one == other else None


def _result(
    sums: CounterSums, before: CountedRows, after: CountedRows, period_us: float | None, restarts_us: ArrayLike,
    every: int = 1,
) -> CountResult:  # fmt: skip
    """What the sums, the rows before and after each odd step, and the usual period say of all rows."""
    first, last, rate = sums.first, sums.last, sums.rate
    if first is None or last is None or sums.used < 2:
        return CountResult(0, 0.0, 1.0, (), 0, 0, sums.used)
    period = float(sums.least_us or 1) if period_us is None else period_us
    ticks, border, stood = after.count - before.count, after.segment != before.segment, before.stood
    cycles = every * (after.done - before.done).astype(np.float64)
    allowed = every * (1.25 * (after.start - before.start).astype(np.float64) / max(period, 1.0) + 1.0)
    allowed = np.where(stood, np.minimum(allowed, STOP_CYCLES), allowed)
    restarts = np.asarray(restarts_us, np.int64)
    passed = np.searchsorted(restarts, after.start, "right") - np.searchsorted(restarts, before.start, "right")
    unknown = border & (passed > 0)
    round_ = np.where(unknown, np.minimum(allowed, STOP_CYCLES), allowed)
    allowed = np.where(unknown & ~stood, np.inf, allowed)
    kinds, real = breaks((before.count, after.count), ticks, cycles, border, stood, rate, allowed, round_)
    moved = after.moved - before.moved
    off = np.abs(real - rate * cycles) > JUMP
    kinds[off & (moved > 0) & (np.abs(real - rate * (cycles + moved)) <= JUMP + rate)] = KINDS.index("uncrossed")
    seen = last.done - first.done
    differences = _differences((first, last), (before, after), kinds, real / rate - cycles, rate, every)
    if every > 1 and seen:
        differences.append(CountDifference("gap", first.start_us, last.start_us, float((every - 1) * seen)))
    return CountResult(
        detected=seen,
        counted=float((last.counter - first.counter + (real - ticks).sum()) / rate),
        per_cycle=rate,
        differences=tuple(differences),
        resets=int((kinds == KINDS.index("reset")).sum()),
        rollovers=int((kinds == KINDS.index("rollover")).sum()),
        n_used=sums.used,
    )


def breaks(
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
    ends: tuple[CountedRow, CountedRow], noted: tuple[CountedRows, CountedRows], kinds: NDArray[np.int64],
    extra: NDArray[np.float64], rate: float, every: int,
) -> list[CountDifference]:  # fmt: skip
    """Differences after rows that are noted, and of the whole stretches between them."""
    found, tick = [], max(1.0 / rate, 1.0)
    before, after = noted
    begins, stops = (ends[0], *after.each()), (*before.each(), ends[1])
    for k, (first, here) in enumerate(zip(begins, stops, strict=True)):
        between = (here.counter - first.counter) / rate - every * (here.done - first.done)
        if abs(between) > 1e-9:
            kind: Kind = "tick" if abs(between) <= tick + 1e-9 else "unexplained"
            found.append(CountDifference(kind, first.start_us, here.start_us, between))
        if k < kinds.size and abs(extra[k]) > 1e-9:
            what = KINDS[int(kinds[k])]
            found.append(CountDifference(what, here.start_us, begins[k + 1].start_us, float(extra[k])))
    return found
