"""Run-in, steady wear, wear-out: by a fit to each measure, and where its baseline begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, nan, sqrt

import numpy as np

from benchpipe.drift.changes import DAY_H, ChangeResult, Level, inside
from benchpipe.drift.events import Event
from benchpipe.kernels.rank_trend import RankTrendResult, rank_trend

LEFT = 0.05
"""Part of its run-in that may still be to come when the run-in has ended; the noise, where that is more."""
LATEST = 0.5
"""A run-in that ends after this part of the history has not been seen to end: wear looks the same."""
FEWEST_EFFECTIVE = 4
SEEN_PART = 0.9
"""Part of the bins that must be usable: a step among the others is not seen."""
POWER = 1.645
"""Normal deviate of 95 %."""
FITTED = 2.5


@dataclass(frozen=True)
class Phase:
    """A phase of one measure, its slope per million cycles on thinned values, and Mann-Kendall's p.

    ``change`` is given for the phase "since baseline". ``thinned``: bins that were averaged into one value.
    """

    measure: str
    name: str
    first: int
    last: int
    change: ChangeResult
    trend: RankTrendResult
    n_effective: float
    thinned: int
    step_seen: float = nan


def run_in_end(level: Level) -> int | None:
    """Index of the bin at which the run-in has ended; None where it has not been seen to end.

    What the fitted run-in departs from the line through its second half falls below a twentieth of what it was, or
    below the noise of the bins (1.4826 MAD of their differences), for good.
    """
    h, s = level.history, level.settling
    if not level.rows.any():
        return None
    c = h.cycle
    half = c >= (c[0] + c[-1]) / 2
    line = np.polynomial.Polynomial.fit(c[half], s[half], 1)
    left = np.abs(s - line(c))
    steps = np.diff((level.corrected - level.curve)[level.rows])
    noise = 1.4826 * float(np.median(np.abs(steps))) / np.sqrt(2) if steps.size else 0.0
    above = np.flatnonzero(left > max(LEFT * float(left[0]), noise))
    end = int(above[-1]) + 1 if above.size else 0
    return end if end <= LATEST * c.size else None


def baseline_of(level: Level) -> tuple[int, int] | None:
    """First and last cycle of a baseline: a whole day after the run-in; None while there is none."""
    h = level.history
    end = run_in_end(level)
    if end is None:
        return None
    end = max(end, int(np.argmax(level.rows)))
    if end > LATEST * h.cycle.size:
        return None
    last = int(np.searchsorted(h.end_s, h.start_s[end] + DAY_H * h.hour_s - 1e-6))
    return (int(h.first[end]), int(h.last[last])) if last < h.first.size else None


def phases_of(
    measure: str, level: Level, events: Sequence[Event], baseline: tuple[int, int] | None, threshold: float = nan
) -> list[Phase]:  # fmt: skip
    """Phases of a measure up to now, and its change since the baseline."""
    h = level.history
    end = run_in_end(level)
    slopes = [e.cycle for e in events if (e.measure, e.of, e.kind) == (measure, "level", "slope")]
    now, begin = int(h.last[-1]), int(h.first[0])
    steady = int(h.first[end]) if end is not None else now + 1
    worn = int(min(slopes)) if slopes else now + 1
    spans = [("run-in", begin, min(steady - 1, now)), ("steady", steady, min(worn - 1, now)), ("wear-out", worn, now)]
    none = ChangeResult(nan, nan, nan, 0.95, "")
    made = [_phase(measure, name, level, a, b, none) for name, a, b in spans if b >= a]
    since = _phase(measure, "since baseline", level, baseline[0] if baseline else begin, now, level.change)
    return [*made, replace(since, step_seen=step_seen(level, threshold))]


def step_seen(level: Level, threshold: float) -> float:
    """Smallest step that two days show nearly for certain; NaN where too many bins cannot be used.

    The score of a step is its height over the uncertainty of the difference of two means of a day each; slow noise
    takes ``level.slow`` bins for one. Run-in, temperature and the noise are fitted beside it, for which there is
    `FITTED`: of 12 to 20 simulated runs of nine days (hourly bins, step on the eighth day) a step of this size times
    0.52 / 0.8 / 1 was found in 100 % with white noise (0.2 % a cycle) / 100 % with AR of 12 h / 90 % with AR of 1 h
    (0.1 % each), the last in 100 % three days later.
    """
    h = level.history
    rows = level.rows
    day = DAY_H * h.hour_s / h.width_s
    if rows.sum() < SEEN_PART * rows.size or rows.sum() < 2 * day:
        return nan
    rest = (level.corrected - level.curve)[rows]
    u = float(np.std(rest)) * sqrt(level.slow * 2.0 / day)
    return FITTED * (threshold + POWER) * u


def _phase(measure: str, name: str, level: Level, first: int, last: int, change: ChangeResult) -> Phase:
    """Slope and test on means of as many bins as one independent value takes; steps are no slope."""
    h = level.history
    rows = level.rows & inside(h, first, last)
    y, c = (level.corrected - level.stepped)[rows], h.cycle[rows] / 1e6
    n = y.size
    if n < FEWEST_EFFECTIVE:
        return Phase(measure, name, first, last, change, rank_trend(c[:0], y[:0]), float(n), 1)
    effective = max(n / level.slow, 1.0)
    each = ceil(n / max(effective, FEWEST_EFFECTIVE))
    whole = n // each * each
    thin = rank_trend(c[:whole].reshape(-1, each).mean(axis=1), y[:whole].reshape(-1, each).mean(axis=1))
    return Phase(measure, name, first, last, change, thin, effective, each)
