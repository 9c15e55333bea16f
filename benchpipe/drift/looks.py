"""One look at a day's border: is there a step or a change of slope that was not there before?

Each series (level and scatter of each measure) is scored at all times of change (`kernels.change_score`). A score over
the threshold is an event; its column joins the regression, so that the chart is re-based there.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchpipe.drift.columns import (
    Change,
    change_columns,
    daily_columns,
    expected_changes,
    frequency_columns,
    wear_columns,
)
from benchpipe.drift.events import SETTLED_DAYS, Event
from benchpipe.drift.history import FEWEST_BINS, History
from benchpipe.drift.measures import Watched
from benchpipe.drift.threshold import SLOPE, STEP
from benchpipe.drift.watched import Coefficient, DriftBlock, LogEntry
from benchpipe.kernels.binned_noise import BinnedNoiseModels
from benchpipe.kernels.change_score import ChangeTable, ScoresResult, coarse_models
from benchpipe.kernels.lines import t_quantile
from benchpipe.kernels.temperature_regression import PRIOR_PER_K

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

BEFORE_H = 24.0
"""Hours that a change must be away from the first bin: before, it is run-in."""
AFTER_H = 4.0
"""Hours of a step that must be seen: fewer are an outlier."""
HINGE_EACH_H = 6.0
"""Spacing of the hinges: a slope is not placed better."""
OWN_H = 24.0
"""Hours about an event in which its series has no other: what its place is off by would be one."""
COVERAGE = 0.95
PLACED = 3.68
"""The log-likelihood falls by so much at the ends of a place's interval: half of the x for which (1 − e^(−x/2))² is
0.95, the distribution of the likelihood ratio of a place (D. Siegmund, Internat. Statist. Rev. 56
(1988) 31; from memory)."""
EXPECTED_H = 6.0
"""Hours about an expected change that have no event: notes are written down later."""
FRACTIONS = 8
"""Places within a bin that a step is tried at."""
MOST_PLACES = 60


@dataclass(frozen=True, eq=False)
class LookSeries:
    """One series of a look: values (k,), the columns that are its own, and its temperature coefficient if planned."""

    watched: Watched
    of: str
    value: Floats
    expected: tuple[Change, ...]
    coefficient: Coefficient | None

    @property
    def key(self) -> tuple[str, str]:
        """Measure, and level or scatter."""
        return self.watched.name, self.of


def series_of(block: DriftBlock, history: History, entries: Sequence[LogEntry]) -> list[LookSeries]:
    """All series that have values; what a plan says of temperature is taken off first."""
    made = []
    for i, watched in enumerate(block.watched):
        stated = (block.coefficients or {}).get(watched.name)
        expected = tuple(expected_changes(history, entries, watched))
        for of, table in (("level", history.level), ("scatter", history.scatter)):
            value = np.where(history.separable & ~_mixed(history, expected), table[i], np.nan)
            good = np.isfinite(value)
            if good.sum() < FEWEST_BINS or np.ptp(value[good]) == 0:
                continue
            made.append(LookSeries(watched, of, value, expected, stated if of == "level" else None))
    return made


def _mixed(history: History, expected: Sequence[Change]) -> NDArray[np.bool_]:
    """Bins in which an expected step may lie, and their neighbours."""
    mixed = np.zeros(history.first.size, bool)
    for change in expected:
        k = int(np.searchsorted(history.first, change.cycle, side="right")) - 1
        mixed[max(k - 1, 0) : k + 2] = change.kind == "step"
    return mixed


def number_of_tests(block: DriftBlock) -> int:
    """Tests of a look: step and slope of level and scatter of each measure."""
    return 2 * 2 * len(block.watched)


def step_threshold(block: DriftBlock, nights: int) -> float:
    """Score over which a step is an event."""
    return STEP.threshold(nights, block.false_alarms, number_of_tests(block))


def look(
    block: DriftBlock, history: History, past: Sequence[Event], entries: Sequence[LogEntry], nights: int
) -> list[Event]:
    """Events after a look: those of the past, the last days' estimated again, and new ones.

    Parameters
    ----------
    nights : int
        Looks that the whole planned test has: the rate of false alarms is shared over them.
    """
    if history.first.size < FEWEST_BINS:
        return list(past)
    series = series_of(block, history, entries)
    tests = number_of_tests(block)
    limits = (
        step_threshold(block, nights),
        SLOPE.threshold(nights, block.false_alarms, tests),
    )
    groups: dict[bytes, list[LookSeries]] = defaultdict(list)
    for one in series:
        groups[np.isfinite(one.value).tobytes()].append(one)
    kept = {one.key for one in series}
    events = [event for event in past if (event.measure, event.of) not in kept]
    for members in groups.values():
        chart = LookTable.made(history, members, past)
        for one in members:
            own = [event for event in past if (event.measure, event.of) == one.key]
            events += chart.events(one, own, limits)
    return events


@dataclass(frozen=True, eq=False)
class LookTable:
    """Series with the same bins, and the products of their columns with all changes that are tried.

    Columns of ``table``: the ``common`` ones, temperature behind each lag, what is ``taken`` out of some series,
    the series themselves. ``lags``: which of the lags is the likeliest for each series.
    """

    history: History
    series: list[LookSeries]
    rows: NDArray[np.bool_]
    common: Floats
    taken: list[Change]
    changes: list[Change]
    steps: int
    table: ChangeTable
    lags: list[int | None]

    @classmethod
    def made(cls, history: History, series: list[LookSeries], past: Sequence[Event]) -> LookTable:
        """Whiten all columns of some series that have values in the same bins, past events' columns among them."""
        rows = np.isfinite(series[0].value)
        common = [wear_columns(history), frequency_columns(history)]
        if not history.temperature.shape[0]:
            common.append(daily_columns(history))
        columns = np.column_stack(common)[rows]
        keys = {one.key for one in series}
        taken = [c for one in series for c in one.expected]
        taken += [c for event in past if (event.measure, event.of) in keys for c in event.changes()]
        taken = list(dict.fromkeys(taken))
        steps, hinges = change_times(history)
        changes = [Change("step", c) for c in steps] + [Change("slope", c) for c in hinges]
        everything = [
            columns, history.temperature[:, rows].T, change_columns(history, taken)[rows],
            np.column_stack([one.value[rows] for one in series]),
        ]  # fmt: skip
        table = scored(history, rows, np.column_stack(everything), changes)
        p, n = columns.shape[1], history.temperature.shape[0]
        lags: list[int | None] = [None] * len(series)
        if n:
            first = p + n + len(taken)
            beside = [*range(p), *range(p + n, first)]
            ys = range(first, first + len(series))
            lags = list(table.likeliest(ys, beside, range(p, p + n), PRIOR_PER_K).tolist())
        return cls(history, series, rows, columns, taken, changes, len(steps), table, lags)

    def events(self, one: LookSeries, past: list[Event], limits: tuple[float, float]) -> list[Event]:
        """Events of a series: past ones, those of the last days placed again, and the one that this look finds."""
        y = self.table.gram.shape[1] - len(self.series) + self.series.index(one)
        lag = self.lags[self.series.index(one)]
        kept = []
        for event in past:
            others = [e for e in past if e is not event]
            settled = event.day <= self.history.day - SETTLED_DAYS
            again = None if settled else self._found(one, y, lag, others, limits, event)
            kept.append(again or event)
        new = self._found(one, y, lag, past, limits, None)
        return kept if new is None else [*kept, new]

    def _columns(self, one: LookSeries, lag: int | None, events: Sequence[Event]) -> tuple[list[int], Floats]:
        """Which columns stand beside a change, and how large their coefficients may be."""
        p, lags = self.common.shape[1], self.history.temperature.shape[0]
        index, prior = list(range(p)), [np.inf] * p
        if lag is not None:
            index.append(p + lag)
            prior.append(PRIOR_PER_K if one.coefficient is None else one.coefficient.u)
        own = [*one.expected, *(change for event in events for change in event.changes())]
        index += [p + lags + self.taken.index(change) for change in dict.fromkeys(own)]
        return index, np.array(prior + [np.inf] * (len(index) - len(prior)))

    def _found(
        self, one: LookSeries, y: int, lag: int | None, others: list[Event], limits: tuple[float, float],
        known: Event | None,
    ) -> Event | None:  # fmt: skip
        """The event with the largest score over the threshold; or a ``known`` one, placed again."""
        index, prior = self._columns(one, lag, others)
        scores = self.table.scores(y, index, prior)
        z = np.where(self._allowed(one, others, known), np.abs(np.nan_to_num(scores.z)), 0.0)
        part = z / np.repeat(limits, [self.steps, z.size - self.steps])
        best = int(np.argmax(part)) if part.size else -1
        if best < 0 or part[best] <= (0.0 if known else 1.0):
            return None
        steps = self.changes[best].kind == "step"
        near = _likely(scores, z > 0, slice(0, self.steps) if steps else slice(self.steps, z.size), best)
        tried = [self.changes[i] for i in near.tolist()]
        if steps:
            tried = self._parts(tried)
        fine = self._beside(one, lag, others, tried, self.rows)
        if steps and known is None and not self._holds(one, lag, others, tried, fine, limits[0]):
            return None
        return self._placed(one, tried, fine, float(z[best]), limits[not steps], known)

    def _parts(self, tried: list[Change]) -> list[Change]:
        """Steps within bins, from the bin before the first to that after the last."""
        first = self.history.first
        low = max(int(np.searchsorted(first, tried[0].cycle)) - 1, 0)
        high = min(int(np.searchsorted(first, tried[-1].cycle)) + 1, first.size - 1)
        grid = np.linspace(first[low], first[high], min((high - low) * FRACTIONS, MOST_PLACES) + 1)
        return [Change("step", float(c)) for c in grid]

    def largest(self, one: LookSeries) -> tuple[float, float]:
        """Largest scores of a step and of a slope in a series without events."""
        i = self.series.index(one)
        index, prior = self._columns(one, self.lags[i], [])
        y = self.table.gram.shape[1] - len(self.series) + i
        z = np.abs(np.nan_to_num(self.table.scores(y, index, prior).z))
        return float(z[: self.steps].max(initial=0.0)), float(z[self.steps :].max(initial=0.0))

    def _holds(
        self, one: LookSeries, lag: int | None, others: Sequence[Event], tried: list[Change], fine: ScoresResult,
        limit: float,
    ) -> bool:  # fmt: skip
        """Is a step still one without the bin after it that lies farthest out? A single bin is an outlier."""
        h = self.history
        best = tried[int(np.argmax(fine.likelihood))]
        after = np.flatnonzero(self.rows & (h.cycle > best.cycle))[: int(BEFORE_H)]
        if after.size < 2:
            return False
        values = one.value[after]
        rows = self.rows.copy()
        rows[after[np.argmax(np.abs(values - np.median(values)))]] = False
        return bool(np.nanmax(np.abs(self._beside(one, lag, others, tried, rows).z), initial=0.0) > limit)

    def _beside(
        self, one: LookSeries, lag: int | None, others: Sequence[Event], tried: list[Change], rows: NDArray[np.bool_]
    ) -> ScoresResult:
        """Scores of other changes than the chart's, in some of its bins."""
        h = self.history
        common = self.common[rows[self.rows]]
        own = [*one.expected, *(change for event in others for change in event.changes())]
        temperature = [] if lag is None else [h.temperature[lag][rows]]
        taken = change_columns(h, dict.fromkeys(own))[rows]
        columns = np.column_stack([common, *temperature, taken, one.value[rows]])
        _, prior = self._columns(one, lag, others)
        c = columns.shape[1] - 1
        return scored(h, rows, columns, tried).scores(c, list(range(c)), prior)

    def _allowed(self, one: LookSeries, others: list[Event], known: Event | None) -> NDArray[np.bool_]:
        """Changes that may be an event of this series now."""
        h = self.history
        cycles = np.array([change.cycle for change in self.changes])
        times = np.interp(cycles, (h.first - 0.5), h.start_s)
        worn = any(event.kind == "slope" for event in others)
        slopes = np.arange(cycles.size) >= self.steps
        # Without a thermometer weather looks like a slope, and a temperature effect must never make an alarm.
        unseen = worn or one.of == "scatter" or not h.temperature.shape[0]
        allowed = ~(slopes & unseen)
        if known is not None:
            return np.asarray(allowed & (np.abs(times - known.time_s) <= 2 * OWN_H * h.hour_s))
        for change in one.expected:
            allowed &= np.abs(times - h.time_of(change.cycle)) > EXPECTED_H * h.hour_s
        for event in others:
            allowed &= np.abs(times - event.time_s) > OWN_H * h.hour_s
        return allowed

    def _placed(
        self, one: LookSeries, tried: list[Change], scores: ScoresResult, z: float, limit: float, known: Event | None
    ) -> Event:
        """Place and size of the likeliest change of those tried, all of one kind."""
        h = self.history
        at = np.array([change.cycle for change in tried])
        best = int(np.argmax(scores.likelihood))
        likely = np.flatnonzero(scores.likelihood > scores.likelihood[best] - PLACED)
        gap = float(at[1] - at[0]) if at.size > 1 else float(h.last[0] - h.first[0] + 1) * HINGE_EACH_H
        # Never less than the bins it lies in: their means draw in what is far from most of their cycles.
        ends = [max(int(np.searchsorted(h.first, at[k], side="right")) - 1, 0) for k in (likely[0], likely[-1])]
        low_c = min(float(at[likely[0]]) - gap, float(h.first[ends[0]]))
        high_c = max(float(at[likely[-1]]) + gap, float(h.last[ends[1]]))
        half = t_quantile(COVERAGE, scores.dof) * float(scores.u[best])
        size = float(scores.height[best])
        span = (size - half, size + half)
        if one.of == "scatter":
            size, span = float(np.expm1(size)), (float(np.expm1(span[0])), float(np.expm1(span[1])))
        event = Event(
            one.watched.name, one.of, tried[0].kind, float(at[best]), low_c, high_c, h.time_of(float(at[best])),
            h.time_of(low_c), h.time_of(high_c), size, *span, z, limit, h.day,
        )  # fmt: skip
        return event if known is None else replace(event, day=known.day, number=known.number, alarm=known.alarm,
                                                   score=max(z, known.score))  # fmt: skip


def model_of(history: History, rows: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats, BinnedNoiseModels]:
    """Middle times, widths and weights of some bins, and the noise models of a look."""
    middle, width = history.middle_s[rows], np.minimum(history.end_s - history.start_s, history.width_s)[rows]
    weight = history.weight[rows] / history.weight[rows].mean()
    return middle, width, weight, coarse_models(history.width_s, float(middle[-1] - middle[0]))


def scored(history: History, rows: NDArray[np.bool_], columns: Floats, changes: Sequence[Change]) -> ChangeTable:
    """Products of columns, given for some bins, with changes."""
    middle, width, weight, models = model_of(history, rows)
    return ChangeTable.made(models, middle, width, weight, columns, change_columns(history, changes)[rows])


def change_times(history: History) -> tuple[list[float], list[float]]:
    """Cycles at which steps, and hinges, are tried.

    Steps at the ends and in the middle of bins: one in a bin, tried at its ends alone, shows half of its size at each,
    and slow noise from bin to bin leaves 0.71 of its score (0.92 with the middle).
    """
    k, hours = history.first.size, history.width_s / history.hour_s
    before, after = max(int(BEFORE_H / hours), 2), max(int(np.ceil(AFTER_H / hours)), 2)
    ends = history.first[before : k - after + 1].astype(float)
    steps = np.sort(np.concatenate([ends, (ends[1:] + ends[:-1]) / 2])).tolist()
    hinges = history.first[before : k - before : max(int(HINGE_EACH_H / hours), 1)].astype(float).tolist()
    return steps, hinges


def _likely(scores: ScoresResult, allowed: NDArray[np.bool_], kind: slice, best: int) -> Indices:
    """Changes of a kind, on end about the best, that are not much less likely than it."""
    inside = np.zeros(allowed.size, bool)
    inside[kind] = True
    top = scores.likelihood[best]
    good = allowed & inside & (scores.likelihood > top - 2 * PLACED)
    low = high = best
    while low > 0 and good[low - 1]:
        low -= 1
    while high + 1 < good.size and good[high + 1]:
        high += 1
    return np.arange(low, high + 1, dtype=np.int64)
