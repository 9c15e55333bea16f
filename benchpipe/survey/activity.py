"""What happens in a stretch of samples: held loads, and cycles of load or motion with what they look like."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.swings import turning_places
from benchpipe.survey.stretches import Stretch

BIN_S = 0.5
LEAST_OF_BIN = 4  # samples
LEAST_HOLD_S = 10.0
LEAST_BINS = 5
HELD = 0.02  # of the load: as near a held load stays
RAMPING = 0.01  # of the held load, from bin to bin: the load is still on its way
STILL = 0.15  # of the span of all loads, and of the load itself: most that moves in a bin of a hold
AWAY = 0.1  # of the largest load of all logs: less is no load
ENDS = (0.005, 0.995)
SWING = 0.3  # of the range of the part: a smaller move is no peak
LEAST_MOVING = 0.05  # of the range of all: what moves less does not cycle
LEAST_CYCLES = 3
LEAST_EVEN = 0.6  # of the periods: cycles repeat
LEAST_BELONGING = 0.3
ALIKE = (0.6, 1.6)  # a period beside the middle one of its neighbours
SLOW_S = 4.0  # a sweep takes longer than that
INNER = 0.6  # middle part of the motion, in which a free joint shows its resistance
BINS = 40  # of the motion of a slow cycle
FREE, FREE_OF_RANGE = 1.5, 0.02  # times the load of the middle, and of its range: more is an end stop
FLAT = 0.25  # of the load's range: what the load changes by the motion there, in a sweep at most

Axis = Literal["load", "motion"]
Place = tuple[int, int]  # number of a stretch, and a sample of it
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Hold:
    """A held load, ``at`` that stretch and sample.

    ``before`` and ``after`` are the loads at which it rested next to the hold, NaN where it did not; ``rest_s`` is how
    long, the shorter of both [s].
    """

    file: str
    mode: int | None
    at: Place
    start_us: int
    load: float
    duration_s: float
    before: float
    after: float
    rest_s: float


@dataclass(frozen=True)
class Cycles:
    """Cycles of one axis in one log and mode, in order: arrays of one value a cycle.

    ``flat`` is the part of the load's range that follows the motion in its middle: small in a free sweep.
    ``free_low`` and ``free_high`` bound the motion round its middle in which the load is that of the middle, and
    ``resistance`` is its size there. NaN where the cycles are too fast to be sweeps.
    """

    file: str
    mode: int | None
    axis: Axis
    at: Place
    period_s: Floats
    load_max: Floats
    load_min: Floats
    motion_max: Floats
    motion_min: Floats
    flat: Floats
    free_low: Floats
    free_high: Floats
    resistance: Floats

    def __len__(self) -> int:
        return int(self.period_s.size)

    def select(self, mask: NDArray[np.bool_]) -> Cycles:
        """Those where ``mask`` is true."""
        return Cycles(self.file, self.mode, self.axis, self.at, *(a[mask] for a in self.arrays))

    @property
    def arrays(self) -> tuple[Floats, ...]:
        """All arrays, in the order of the fields."""
        return (
            self.period_s, self.load_max, self.load_min, self.motion_max, self.motion_min, self.flat,
            self.free_low, self.free_high, self.resistance,
        )  # fmt: skip


@dataclass(frozen=True)
class Spans:
    """Ranges over all stretches: the load's, the motion's, and the largest size of the load."""

    load: float
    motion: float
    top: float


def spans_of(stretches: tuple[Stretch, ...]) -> Spans:
    """Ranges of load and motion over all stretches, a few wild samples left out."""
    if not stretches:
        return Spans(0.0, 0.0, 0.0)
    load, motion = (
        np.concatenate([getattr(s.signals, axis)[:: max(len(s.signals) // 20_000, 1)] for s in stretches])
        for axis in ("load", "motion")
    )
    low, high = np.quantile(load, ENDS)
    return Spans(float(high - low), float(np.subtract(*np.quantile(motion, ENDS[::-1]))), float(max(-low, high)))


def holds_of(stretch: Stretch, spans: Spans) -> list[tuple[Hold, int, int]]:
    """Held loads of a stretch, each with its first sample and the one after its last."""
    time_s, load = stretch.time_s, stretch.signals.load.astype(np.float64)
    step = float(np.median(np.diff(time_s)))
    size = max(round(BIN_S / step), LEAST_OF_BIN)
    count = load.size // size
    if count < LEAST_BINS:
        return []
    binned = load[: count * size].reshape(count, size)
    mean, moved = binned.mean(axis=1), np.ptp(binned, axis=1)
    size_of = np.abs(mean)
    away = (size_of > 0.0) & (size_of >= AWAY * spans.top) & (moved <= STILL * np.minimum(spans.load, 2.0 * size_of))
    begun = time_s[: count * size : size]
    found: list[tuple[Hold, int, int]] = []
    first = 0
    while first < count:
        end = first
        if away[first]:
            level = float(np.median(mean[first : first + 3]))
            while end < count and away[end] and abs(mean[end] - level) <= HELD * abs(level):
                end += 1
        lasted = float(time_s[end * size - 1] - begun[first]) if end > first else 0.0
        if end - first >= LEAST_BINS and lasted >= LEAST_HOLD_S:
            level = float(np.median(mean[first:end]))
            (before, rested), (after, rests) = _rest(mean, first, -1, level), _rest(mean, end - 1, 1, level)
            place, start_us = (stretch.number, first * size), int(stretch.signals.time_us[first * size])
            held = Hold(
                stretch.file,
                stretch.mode,
                place,
                start_us,
                level,
                lasted,
                before,
                after,
                size * step * min(rested, rests),
            )
            found.append((held, first * size, end * size))
        first = max(end, first + 1)
    return found


def _rest(mean: Floats, at: int, way: Literal[1, -1], level: float) -> tuple[float, int]:
    """Load at which it rests next, that way in time, and for how many bins; NaN where the samples end before."""
    at += way
    while 0 < at < mean.size - 1 and abs(mean[at + way] - mean[at]) > RAMPING * abs(level):
        at += way
    beyond = mean[: at + 1][::-1] if way < 0 else mean[at:]
    if beyond.size < 2 or float(np.ptp(beyond[:3])) > 3 * RAMPING * abs(level):
        return float("nan"), 0
    rest = float(np.median(beyond[:3]))
    left = np.flatnonzero(np.abs(beyond - rest) > RAMPING * abs(level))
    return rest, int(left[0]) if left.size else int(beyond.size)


def cycles_of(stretch: Stretch, axis: Axis, spans: Spans, without: list[tuple[int, int]]) -> Iterator[Cycles]:
    """Cycles of one axis between the holds of a stretch; what does not repeat evenly is none."""
    time_s = stretch.time_s
    load, motion = stretch.signals.load.astype(np.float64), stretch.signals.motion.astype(np.float64)
    edges = [0, *(edge for pair in without for edge in pair), load.size]
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        own = slice(first, end)
        series = (load if axis == "load" else motion)[own]
        whole = spans.load if axis == "load" else spans.motion
        if series.size < 2 * LEAST_CYCLES:
            continue
        span = float(np.subtract(*np.quantile(series, ENDS[::-1])))
        if span < LEAST_MOVING * whole or span <= 0.0 or _belonging(series) < LEAST_BELONGING:
            continue
        places = turning_places(series, SWING * span)
        tops = _tops(series, places)
        if tops.size > LEAST_CYCLES:
            yield from _between(stretch, axis, first, time_s[own], load[own], motion[own], tops)


def _belonging(series: Floats) -> float:
    """Lag-one autocorrelation: neighbours of a wave belong together, of noise they do not (von Neumann)."""
    variance = float(np.var(series))
    return 1.0 - float(np.mean(np.diff(series) ** 2)) / (2.0 * variance) if variance > 0.0 else 0.0


def _tops(series: Floats, places: NDArray[np.int64]) -> NDArray[np.int64]:
    """Places of the peaks among turning points; the last one may still be rising."""
    if places.size < 3:
        return places[:0]
    rising = series[places[1]] > series[places[0]]
    inner = places[1:-1]
    return inner[0 if rising else 1 :: 2]


def _between(
    stretch: Stretch, axis: Axis, first: int, time_s: Floats, load: Floats, motion: Floats, tops: NDArray[np.int64]
) -> Iterator[Cycles]:
    """Cycles from peak to peak."""
    last = tops[-1]
    period = np.diff(time_s[tops])
    extremes = [reduce.reduceat(x[:last], tops[:-1]) for x in (load, motion) for reduce in (np.maximum, np.minimum)]
    middle = float(np.median(period))
    shape = np.full((4, period.size), np.nan)
    for k, (a, b) in enumerate(pairwise(tops.tolist())) if middle >= SLOW_S else ():
        shape[:, k] = _flatness(load[a:b], motion[a:b]), *_free_range(load[a:b], motion[a:b])
    found = Cycles(stretch.file, stretch.mode, axis, (stretch.number, first + int(tops[0])), period, *extremes, *shape)
    even = _even(period)
    if even.mean() >= LEAST_EVEN and (int(even.sum()) >= LEAST_CYCLES or middle >= SLOW_S):
        yield found.select(even)


def _even(period: Floats) -> NDArray[np.bool_]:
    """Periods that are like those of their neighbours."""
    padded = np.pad(period, 2, mode="edge")
    near = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return np.asarray((period > ALIKE[0] * near) & (period < ALIKE[1] * near))


def _flatness(load: Floats, motion: Floats) -> float:
    """What of the load's range follows the motion in the middle of its range, both ways together."""
    low, high = float(motion.min()), float(motion.max())
    span, reach = high - low, float(np.ptp(load))
    inside = np.abs(motion - 0.5 * (low + high)) <= 0.5 * INNER * span
    way = np.sign(np.gradient(np.convolve(motion, np.ones(5) / 5, mode="same")))
    inside &= way != 0
    if inside.sum() < 8 or reach <= 0.0:
        return float("nan")
    terms = np.stack([np.ones(int(inside.sum())), motion[inside], way[inside]], axis=1)
    slope = float(np.linalg.lstsq(terms, load[inside], rcond=None)[0][1])
    return abs(slope) * INNER * span / reach


def _free_range(load: Floats, motion: Floats) -> tuple[float, float, float]:
    """Ends of the motion in which the load's size is that of the middle, and that size."""
    low, high = float(motion.min()), float(motion.max())
    if not high > low:
        return float("nan"), float("nan"), float("nan")
    place = np.minimum(((motion - low) / (high - low) * BINS).astype(np.int64), BINS - 1)
    filled = np.bincount(place, minlength=BINS)
    size = np.bincount(place, np.abs(load), minlength=BINS) / np.maximum(filled, 1)
    centre = slice(BINS * 3 // 10, BINS * 7 // 10)
    resistance = float(np.median(size[centre]))
    within = (size <= FREE * resistance + FREE_OF_RANGE * float(np.ptp(load))) | (filled == 0)
    first, last = BINS // 2, BINS // 2
    while first > 0 and within[first - 1]:
        first -= 1
    while last < BINS - 1 and within[last + 1]:
        last += 1
    step = (high - low) / BINS
    return low + first * step, low + (last + 1) * step, resistance
