"""Time to limit: cycles and date at which a limited measure crosses its limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.changes import Level, inside, last_day
from benchpipe.drift.columns import RUN_IN_CYCLES, change_columns, expected_changes
from benchpipe.drift.events import Event
from benchpipe.drift.history import FEWEST_BINS, History
from benchpipe.drift.looks import model_of
from benchpipe.drift.watched import DriftBlock, DriftLimit, LogEntry
from benchpipe.kernels.change_score import ChangeTable
from benchpipe.kernels.onset_laws import CrossingResult, LawDraws, OnsetLaws, crossing
from benchpipe.kernels.temperature_regression import PRIOR_PER_K

Floats = NDArray[np.float64]

COVERAGE = 0.9
MOST_LAWS = 40
NEGLIGIBLE = 7.0
"""Laws whose log-likelihood is this far below the best have a thousandth of its weight."""
DRAWS = 32
TEMPER = 0.5
"""Likelihoods are raised to this power: none of the laws is the true one, so the data say less than they seem to."""
EXPECTED = 0.05
"""Chance of a crossing before the planned end below which none is expected: the stated rate of early truths."""


@dataclass(frozen=True)
class Forecast:
    """When a measure crosses its limit.

    ``expected``: a crossing before the planned end is to be reckoned with. ``cycle``, ``low``, ``high``: its interval
    (inf where open); ``time_s``, ``low_s``, ``high_s`` the same at the pace of the last week. ``why``: a remark.
    """

    measure: str
    limit: DriftLimit
    cycle: float
    low: float
    high: float
    time_s: float
    low_s: float
    high_s: float
    before_end: float
    expected: bool
    crossed: bool
    coverage: float
    why: str


def change_allowed(
    block: DriftBlock, history: History, limit: DriftLimit, level: Level | None, baseline: tuple[int, int] | None
) -> DriftLimit:
    """A limit on the measure itself as one on its change: from the baseline's level, temperature taken out."""
    if limit.value is None or level is None or baseline is None:
        return limit
    base = level.corrected[level.rows & inside(history, *baseline)]
    i = [w.name for w in block.watched].index(limit.measure)
    if not base.size or not history.scale[i] > 0.0:
        return limit
    now = float(history.reference[i] + history.scale[i] * base.mean())
    return replace(limit, change=(limit.value - now) / float(history.scale[i]))


def forecast(
    block: DriftBlock,
    history: History,
    limit: DriftLimit,
    base_cycle: float,
    events: Sequence[Event],
    entries: Sequence[LogEntry] = (),
) -> Forecast:
    """Forecast the crossing of one limit.

    Parameters
    ----------
    base_cycle : float
        Middle of the baseline.
    events : sequence of Event
        Steps of this measure's level are taken out, and those after the baseline put back as what they are. A slope
        is the wear itself.
    """
    i = [w.name for w in block.watched].index(limit.measure)
    watched = block.watched[i]
    value = np.where(history.separable, history.level[i], np.nan)
    rows = np.isfinite(value)
    now = float(history.last[-1])
    if not isfinite(base_cycle) or not isfinite(limit.change):
        return _none(limit, "the baseline was not reached")
    if rows.sum() < FEWEST_BINS:
        return _none(limit, f"{int(rows.sum())} usable bins, {FEWEST_BINS} are needed")
    if not (rows & last_day(history)).any():
        return _none(limit, "no usable bins in the last day")
    if limit.value is not None and (limit.change > 0.0) != limit.upper:
        return replace(_none(limit, "beyond it at the baseline already"), crossed=True, expected=True)
    steps = [e.changes()[0] for e in events if (e.measure, e.of, e.kind) == (limit.measure, "level", "step")]
    steps = list(dict.fromkeys([*steps, *expected_changes(history, entries, watched)]))
    taken = change_columns(history, steps)[rows]
    stated = (block.coefficients or {}).get(limit.measure)
    settling = _settling(history)[rows]
    lags = history.temperature[:, rows].T
    laws = OnsetLaws.until(now)
    middle, width, weight, models = model_of(history, rows)
    steady = history.cycle[rows, None] / now
    columns = np.column_stack([steady, settling, taken, lags, value[rows]])
    shapes = laws.columns(history.cycle[rows])
    table = ChangeTable.made(models, middle, width, weight, columns, shapes)
    p, y = 1 + settling.shape[1] + taken.shape[1], columns.shape[1] - 1
    index, prior = list(range(p)), [np.inf] * p
    if lags.shape[1]:
        index.append(p + int(table.likeliest([y], range(p), range(p, p + lags.shape[1]), PRIOR_PER_K)[0]))
        prior.append(PRIOR_PER_K if stated is None else stated.u)
    worth = table.scores(y, index, np.array(prior)).likelihood * TEMPER
    chosen = np.argsort(-worth, kind="stable")[:MOST_LAWS]
    chosen = chosen[worth[chosen] > worth[chosen[0]] - NEGLIGIBLE]
    kept = np.column_stack([columns[:, index], shapes[:, chosen], value[rows]])
    fitted = ChangeTable.made(models, middle, width, weight, kept, np.zeros((kept.shape[0], 0)))
    draws, normal = _drawn(fitted, len(index), np.array(prior), worth[chosen])
    after = [k for k, change in enumerate(steps) if change.kind == "step" and change.cycle > base_cycle]
    solved = fitted.null(kept.shape[1] - 1, [*range(len(index)), len(index)], np.append(prior, np.inf))
    best = int(np.argmax(solved[4]))
    offset = float(sum(solved[1][best, 1 + settling.shape[1] + k] for k in after))
    draws = LawDraws(draws.law, draws.steady / now, draws.worn, draws.weight)
    at = crossing(
        laws.some(chosen), draws, limit=limit.change, base=base_cycle, offset=offset,
        planned_end=float(block.planned_cycles), turns=normal, coverage=COVERAGE,
    )  # fmt: skip
    return _dated(limit, at, history)


def _drawn(table: ChangeTable, beside: int, prior: Floats, worth: Floats) -> tuple[LawDraws, Floats]:
    """Draws of steady wear and law's wear from each law's likeliest noise, and deviates for turns.

    The deviates are the same for each law and each night: quantiles in a fixed shuffled order.
    """
    from scipy.special import ndtri

    order = np.random.default_rng(0)
    q = ndtri((np.arange(DRAWS) + 0.5) / DRAWS)
    normal = np.array([order.permutation(q) for _ in range(3)])
    index = np.arange(beside)
    steady, worn = [], []
    for law in range(worth.size):
        inverse, solved, _, s2, likelihood = table.null(
            table.gram.shape[1] - 1, [*index.tolist(), beside + law], np.append(prior, np.inf)
        )
        best = int(np.argmax(likelihood))
        ends = [0, beside]
        covariance = s2[best] * inverse[best][np.ix_(ends, ends)]
        root = np.linalg.cholesky(covariance + 1e-12 * np.trace(covariance) * np.eye(2))
        made = solved[best][ends][:, None] + root @ normal[:2]
        steady.append(made[0])
        worn.append(made[1])
    weight = np.repeat(np.exp(worth - worth.max()), DRAWS)
    laws = np.repeat(np.arange(worth.size), DRAWS)
    return LawDraws(laws, np.concatenate(steady), np.concatenate(worn), weight), np.tile(normal[2], worth.size)


def _settling(history: History) -> Floats:
    """Constant, and a run-in that has ended long before now: what settles later is wear."""
    c = history.cycle
    head, span = float(history.last[0]), float(c[-1])
    return np.column_stack([np.ones_like(c), *(np.exp(-c / c0) for c0 in RUN_IN_CYCLES if head / 3 < c0 <= span / 6)])


def _dated(limit: DriftLimit, at: CrossingResult, history: History) -> Forecast:
    """Add dates, at the pace of the last week, stops included."""
    end_s, now = float(history.end_s[-1]), float(history.last[-1])
    since = max(int(np.searchsorted(history.start_s, end_s - 7 * 86400.0)), 0)
    pace = (now - float(history.first[since]) + 1) / max(end_s - float(history.start_s[since]), 1e-9)

    def date(cycle: float) -> float:
        return end_s + (cycle - now) / pace if cycle > now else history.time_of(cycle)

    expected = at.before_end >= EXPECTED
    why = "" if expected else "no crossing expected before the planned end"
    return Forecast(
        limit.measure, limit, at.cycle, at.low, at.high, date(at.cycle), date(at.low), date(at.high),
        at.before_end, expected, at.crossed, at.coverage, why,
    )  # fmt: skip


def _none(limit: DriftLimit, why: str) -> Forecast:
    return Forecast(limit.measure, limit, nan, nan, nan, nan, nan, nan, nan, False, False, COVERAGE, why)
