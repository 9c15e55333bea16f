"""Cycles of load or motion in a stretch of samples, and what they look like."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.swings import turning_places
from benchpipe.survey.stretches import Stretch

ENDS = (0.005, 0.995)
SWING = 0.3  # of the range of the part: a smaller move is no peak
LEAST_MOVING = 0.05  # of the range of all: what moves less does not cycle
LEAST_CYCLES = 3
LEAST_SWEEPS = 2  # slow cycles between the same ends
SAME_END = 0.05  # of the range
LEAST_EVEN = 0.6  # of the periods: cycles repeat
LEAST_BELONGING = 0.3
NEIGHBOURS, FEWER_NEIGHBOURS = 9, 5  # of a period, itself among them; fewer where there are few periods
ALIKE = (0.6, 1.6)  # a period beside the middle one of its neighbours
SLOW_S = 4.0  # a sweep takes longer than that
INNER = 0.6  # middle part of the motion, in which a free joint shows its resistance
BINS = 40  # of the motion of a slow cycle
FREE, FREE_OF_RANGE = 1.5, 0.02  # times the load of the middle, and of its range: more is an end stop
FLAT = 0.25  # of the load's range: what the load changes by the motion there, in a sweep at most

LoopAxis = Literal["load", "motion"]
SamplePlace = tuple[int, int]  # number of a stretch, and a sample of it
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class AxisCycles:
    """Cycles of one axis in one log and mode, in order: arrays of one value a cycle.

    They lie in samples ``at`` … ``end - 1`` of the stretch. ``flat`` is the part of the load's range that follows the
    motion in its middle: small in a free sweep. ``free_low`` and ``free_high`` bound the motion round its middle in
    which the load is that of the middle, and ``resistance`` is its size there. ``scatter`` is the standard deviation
    of the motion over its range: 0.29 at constant speed, 0.35 in a sine. NaN where a cycle is too fast to be a sweep.
    """

    file: str
    mode: int | None
    axis: LoopAxis
    at: SamplePlace
    end: int
    period_s: Floats
    load_max: Floats
    load_min: Floats
    motion_max: Floats
    motion_min: Floats
    flat: Floats
    free_low: Floats
    free_high: Floats
    resistance: Floats
    scatter: Floats

    def __len__(self) -> int:
        return int(self.period_s.size)

    def select(self, mask: NDArray[np.bool_]) -> AxisCycles:
        """Those where ``mask`` is true."""
        return AxisCycles(self.file, self.mode, self.axis, self.at, self.end, *(a[mask] for a in self.arrays))

    @property
    def arrays(self) -> tuple[Floats, ...]:
        """All arrays, in the order of the fields."""
        return (
            self.period_s, self.load_max, self.load_min, self.motion_max, self.motion_min, self.flat,
            self.free_low, self.free_high, self.resistance, self.scatter,
        )  # fmt: skip

    @property
    def stiffness(self) -> Floats:
        """Load range over motion range."""
        return np.asarray((self.load_max - self.load_min) / np.maximum(self.motion_max - self.motion_min, 1e-12))

    def beside(self, other: AxisCycles) -> bool:
        """Whether both are of the same time: what they share is half of the shorter at least."""
        if self.at[0] != other.at[0]:
            return False
        shared = min(self.end, other.end) - max(self.at[1], other.at[1])
        return 2 * shared >= min(self.end - self.at[1], other.end - other.at[1])


@dataclass(frozen=True)
class WholeRanges:
    """Ranges over all stretches: the load's, the motion's, and the largest size of the load."""

    load: float
    motion: float
    top: float


def spans_of(stretches: tuple[Stretch, ...]) -> WholeRanges:
    """Ranges of load and motion over all stretches, a few wild samples left out."""
    if not stretches:
        return WholeRanges(0.0, 0.0, 0.0)
    load, motion = (
        np.concatenate([getattr(s.signals, axis)[:: max(len(s.signals) // 20_000, 1)] for s in stretches])
        for axis in ("load", "motion")
    )
    low, high = np.quantile(load, ENDS)
    return WholeRanges(float(high - low), float(np.subtract(*np.quantile(motion, ENDS[::-1]))), float(max(-low, high)))


def cycles_of(
    stretch: Stretch, axis: LoopAxis, spans: WholeRanges, without: list[tuple[int, int]]
) -> Iterator[AxisCycles]:
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
        if tops.size > LEAST_CYCLES or (
            tops.size > LEAST_SWEEPS and _is_alike(series, places, tops, time_s[own], span)
        ):
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


def _is_alike(series: Floats, places: NDArray[np.int64], tops: NDArray[np.int64], time_s: Floats, span: float) -> bool:
    """Whether a few slow cycles go between the same ends: what moves at will does not."""
    valleys = places[(places > tops[0]) & (places < tops[-1]) & ~np.isin(places, tops)]
    apart = max(float(np.ptp(series[tops])), float(np.ptp(series[valleys])))
    return float(np.diff(time_s[tops]).min()) >= SLOW_S and apart <= SAME_END * span


def _between(
    stretch: Stretch, axis: LoopAxis, first: int, time_s: Floats, load: Floats, motion: Floats, tops: NDArray[np.int64]
) -> Iterator[AxisCycles]:
    """Cycles from peak to peak."""
    last = tops[-1]
    period = np.diff(time_s[tops])
    extremes = [reduce.reduceat(x[:last], tops[:-1]) for x in (load, motion) for reduce in (np.maximum, np.minimum)]
    slow = period >= SLOW_S
    shape = np.full((5, period.size), np.nan)
    for k in np.flatnonzero(slow).tolist():
        own = slice(int(tops[k]), int(tops[k + 1]))
        shape[:, k] = _flatness(load[own], motion[own]), *_free_range(load[own], motion[own]), _scatter(motion[own])
    even = _even(period)
    begun, ended = (
        (first + int(tops[k]) for k in np.flatnonzero(even)[[0, -1]] + [0, 1]) if even.any() else (first, first)
    )
    found = AxisCycles(stretch.file, stretch.mode, axis, (stretch.number, begun), ended, period, *extremes, *shape)
    if even.mean() >= LEAST_EVEN and (int(even.sum()) >= LEAST_CYCLES or bool(slow.any())):
        yield found.select(even)


def _even(period: Floats) -> NDArray[np.bool_]:
    """Periods that are like those of their neighbours."""
    many = period.size >= NEIGHBOURS
    width = NEIGHBOURS if many else FEWER_NEIGHBOURS
    padded = np.pad(period, width // 2, mode="reflect" if many else "edge")
    near = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
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


def _scatter(motion: Floats) -> float:
    """Standard deviation of the motion over its range."""
    span = float(np.ptp(motion))
    return float(np.std(motion)) / span if span > 0.0 else float("nan")


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
