"""Compare detected cycles with the rig's own counter: each difference gets a reason, or is reported as unexplained.

A counter restarts (reset), rolls over, ticks at any moment of the cycle, or only
every second cycle; and it goes on counting while nothing is logged. What remains is a fault of
the counter or of the detection, and is never explained away.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.blocks.cyclic.state import Counted, Kind

KINDS: tuple[Kind, ...] = ("gap", "stop", "uncrossed", "reset", "rollover", "tick", "unexplained")
RATES = (0.1, 0.2, 0.25, 1 / 3, 0.5, 1.0, 2.0)  # ticks a cycle that rigs are set to
ROUNDS = (10_000, 65_536, 100_000, 1_000_000)  # counters that come round
RATE_TOLERANCE = 0.1
STOP_CYCLES = 3.0  # a cycle that is not closed after so many is a stop
LEAST_ROWS = 5  # that show a spacing
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
    before = np.concatenate(([0], np.cumsum(np.asarray(complete, bool))))
    moved_before = np.concatenate(([0], np.cumsum(np.zeros(start.size) if uncrossed is None else uncrossed)))
    used = np.flatnonzero(np.isfinite(count))
    if used.size < 2:
        return CountResult(0, 0.0, 1.0, (), 0, 0, int(used.size))
    start, count, before = start[used], count[used], before[used]
    moved = np.diff(moved_before[used])
    ticks, cycles = np.diff(count), np.diff(before).astype(np.float64)
    seen = int(before[-1] - before[0])
    border = np.diff(np.asarray(segment)[used]) != 0
    stood = np.zeros(used.size, bool) if stopped is None else np.asarray(stopped, bool)[used]
    rate = _rate(ticks, every * cycles, border)
    allowed = every * _possible(start, cycles, border)
    cycles = cycles * every
    allowed[stood[:-1]] = np.minimum(allowed[stood[:-1]], STOP_CYCLES)
    before_each = np.searchsorted(np.asarray(restarts_us, np.int64), start, "right")
    unknown = border & (np.diff(before_each) > 0)
    round_ = np.where(unknown, np.minimum(allowed, STOP_CYCLES), allowed)
    allowed = np.where(unknown & ~stood[:-1], np.inf, allowed)
    kinds, ticks = _breaks(count, ticks, cycles, border, stood[:-1], rate, allowed, round_)
    off = np.abs(ticks - rate * cycles) > JUMP
    kinds[off & (moved > 0) & (np.abs(ticks - rate * (cycles + moved)) <= JUMP + rate)] = KINDS.index("uncrossed")
    extra = ticks / rate - cycles
    differences = _differences(start, kinds, extra, 1.0 / rate)
    if every > 1 and seen:
        differences.append(CountDifference("gap", int(start[0]), int(start[-1]), float((every - 1) * seen)))
    return CountResult(
        detected=seen,
        counted=float(ticks.sum() / rate),
        per_cycle=rate,
        differences=tuple(differences),
        resets=int((kinds == KINDS.index("reset")).sum()),
        rollovers=int((kinds == KINDS.index("rollover")).sum()),
        n_used=int(used.size),
    )


def _rate(ticks: NDArray[np.float64], cycles: NDArray[np.float64], border: NDArray[np.bool_]) -> float:
    """Ticks a cycle: the nearest of RATES, 1 where none is near."""
    plain = ~border & (ticks >= 0) & (ticks <= 3 * cycles + 1)
    total = float(cycles[plain].sum())
    seen = float(ticks[plain].sum()) / total if total else 0.0
    if seen <= 0.0:
        return 1.0
    near = min(RATES, key=lambda rate: abs(log(seen / rate)))
    slack = 1.0 / total  # a tick at either end
    return near if abs(seen - near) <= RATE_TOLERANCE * near + slack else 1.0


def _possible(start: NDArray[np.int64], cycles: NDArray[np.float64], border: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Cycles that there was time for between neighbouring rows, at the usual period."""
    step = np.diff(start).astype(np.float64)
    plain = step[~border & (cycles == 1)]
    period = float(np.median(plain)) if plain.size else float(step.min()) or 1.0
    return np.asarray(1.25 * step / max(period, 1.0) + 1.0)


def _breaks(
    count: NDArray[np.float64], ticks: NDArray[np.float64], cycles: NDArray[np.float64], border: NDArray[np.bool_],
    stood: NDArray[np.bool_], rate: float, allowed: NDArray[np.float64], around: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:  # fmt: skip
    """What happens between neighbouring rows (-1: nothing), and the ticks that really were."""
    kinds = np.full(ticks.size, -1)
    ticks = ticks.copy()
    most = allowed * rate + 1.0
    off = np.abs(ticks - rate * cycles) > JUMP
    kinds[border & (ticks >= 0)] = KINDS.index("stop")
    kinds[border & off & (ticks >= 0) & (ticks <= most) & ~stood] = KINDS.index("gap")
    kinds[off & (ticks >= 0) & (~border | (ticks > most))] = KINDS.index("unexplained")
    for k in np.flatnonzero(ticks < 0).tolist():
        kinds[k], ticks[k] = _back(count[k], count[k + 1], most[k], around[k] * rate + 1.0)
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
    start: NDArray[np.int64], kinds: NDArray[np.int64], extra: NDArray[np.float64], tick: float
) -> list[CountDifference]:
    """Differences at breaks, and of the whole stretches between them."""
    found = []
    at = [-1, *np.flatnonzero(kinds >= 0).tolist(), kinds.size]
    sums = np.concatenate(([0.0], np.cumsum(extra)))
    for last, here in pairwise(at):
        between = float(sums[here] - sums[last + 1])
        if abs(between) > 1e-9:
            kind: Kind = "tick" if abs(between) <= max(tick, 1.0) + 1e-9 else "unexplained"
            found.append(CountDifference(kind, int(start[last + 1]), int(start[here]), between))
        if here < kinds.size and abs(extra[here]) > 1e-9:
            what = KINDS[int(kinds[here])]
            found.append(CountDifference(what, int(start[here]), int(start[here + 1]), float(extra[here])))
    return found
