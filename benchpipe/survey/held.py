"""Find what a stretch of samples holds constant: a load, a motion whose load relaxes, or a swaying load."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.robust import mad_sigma
from benchpipe.survey.activity import LoopAxis, SamplePlace, WholeRanges
from benchpipe.survey.stretches import Stretch

BIN_S = 0.5
LEAST_OF_BIN = 4  # samples
LEAST_HOLD_S = 10.0
LEAST_STANCE_S = 8.0  # a window of quiet standing: common practice, no source
LEAST_BINS = 5
HELD = 0.02  # of the level: as near a held load or motion stays
SWAYING = 0.3  # of the level: as near the load stays in a stance
RAMPING = 0.01  # of the held load, from bin to bin: the load is still on its way
STILL = 0.15  # of the span of all loads, and of the load itself: most that moves in a bin of a hold
AWAY = 0.1  # of the largest load of all logs: less is no load
NOISE = 3.0  # times the scatter of the averages, but no more than as much again: so far noise takes a held level
LEAST_LOST = 0.01  # of the load: less is no relaxation
STEADIER = 3.0  # times as steady is a motion that is held, where the load relaxes
ONE_WAY = 1.5  # times what it loses in all: a relaxing load moves no more than that
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Hold:
    """A held load, or a held motion whose load relaxes: samples ``at`` … ``end - 1`` of a stretch.

    ``level`` is of the ``axis`` that is held. ``before`` and ``after`` are the levels at which it rested next to the
    hold, NaN where it did not; ``rest_s`` is how long, the shorter of both [s]. ``to_end``: it lasts to the end of the
    stretch, and may go on in the next. ``load_at_first`` is the load's size where it begins, and ``lost`` what of it is
    gone at the end.
    """

    file: str
    mode: int | None
    axis: LoopAxis
    at: SamplePlace
    end: int
    start_us: int
    level: float
    duration_s: float
    before: float
    after: float
    rest_s: float
    to_end: bool
    load_at_first: float
    lost: float

    @property
    def samples(self) -> tuple[int, int]:
        """First sample, and the one after the last."""
        return self.at[1], self.end

    def goes_on(self, before: Hold) -> bool:
        """Whether it is the rest of a hold with which the stretch before ended."""
        return self.at == (before.at[0] + 1, 0) and before.to_end and before.file != self.file


@dataclass(frozen=True)
class Sway:
    """A load that stays about a level and sways, as under a standing person."""

    file: str
    mode: int | None
    at: SamplePlace
    end: int
    load: tuple[float, float]
    duration_s: float


@dataclass(frozen=True)
class _Bins:
    """Means of half a second, and what moves in each; ``size`` samples a bin, of ``step`` s."""

    mean: Floats
    moved: Floats
    size: int
    step: float


def holds_of(stretch: Stretch, spans: WholeRanges) -> list[Hold]:
    """Held loads and relaxing ones of a stretch, in order."""
    bins = {axis: _bins(stretch, axis) for axis in _AXES}
    load = bins["load"]
    if load.mean.size < LEAST_BINS:
        return []
    relaxing = [stay for stay in _stays(bins["motion"], _may_hold(bins["motion"]), HELD) if _relaxes(bins, stay, spans)]
    taken = np.zeros(load.mean.size, bool)
    for first, end in relaxing:
        taken[first:end] = True
    held = _stays(load, _is_away(load, spans) & ~taken, HELD)
    found = [_hold(stretch, "motion", bins, *stay) for stay in relaxing]
    found += [_hold(stretch, "load", bins, *stay) for stay in held]
    return sorted((one for one in found if one.duration_s >= LEAST_HOLD_S), key=lambda one: one.at)


def sways_of(stretch: Stretch, spans: WholeRanges, without: list[tuple[int, int]]) -> Iterator[Sway]:
    """Stays about a level that are neither holds nor cycles (samples ``without``)."""
    bins = _bins(stretch, "load")
    if bins.mean.size < LEAST_BINS:
        return
    taken = np.zeros(bins.mean.size, bool)
    for first, end in without:
        taken[first // bins.size : -(-end // bins.size)] = True
    size = np.abs(bins.mean)
    calm = (size > 0.0) & (size >= AWAY * spans.top) & (bins.moved <= SWAYING * size) & ~taken
    for first, end in _stays(bins, calm, SWAYING):
        own = slice(first * bins.size, end * bins.size)
        lasted = (end - first) * bins.size * bins.step
        if lasted >= LEAST_STANCE_S:
            low, high = np.quantile(stretch.signals.load[own], (0.02, 0.98))
            yield Sway(
                stretch.file, stretch.mode, (stretch.number, own.start), own.stop, (float(low), float(high)), lasted
            )


_AXES: tuple[LoopAxis, LoopAxis] = ("load", "motion")


def _bins(stretch: Stretch, axis: LoopAxis) -> _Bins:
    step = float(np.median(np.diff(stretch.time_s)))
    size = max(round(BIN_S / step), LEAST_OF_BIN)
    values = (stretch.signals.load if axis == "load" else stretch.signals.motion).astype(np.float64)
    count = values.size // size
    binned = values[: count * size].reshape(count, size)
    return _Bins(binned.mean(axis=1), np.ptp(binned, axis=1) if count else np.empty(0), size, step)


def _is_away(load: _Bins, spans: WholeRanges) -> NDArray[np.bool_]:
    """Bins with a load that may be held."""
    size = np.abs(load.mean)
    still = load.moved <= STILL * np.minimum(spans.load, 2.0 * size)
    return np.asarray((size > 0.0) & (size >= AWAY * spans.top) & still)


def _may_hold(motion: _Bins) -> NDArray[np.bool_]:
    """Bins whose motion is not at its zero, and still."""
    size = np.abs(motion.mean)
    return np.asarray((size > 0.0) & (motion.moved <= STILL * 2.0 * size))


def _stays(bins: _Bins, allowed: NDArray[np.bool_], near: float) -> list[tuple[int, int]]:
    """Bins from and to (not included) over which the mean stays near where it began."""
    found: list[tuple[int, int]] = []
    mean, first = bins.mean, 0
    noise = NOISE * float(mad_sigma(np.diff(mean[allowed]))) if np.count_nonzero(allowed) > LEAST_BINS else 0.0
    while first < mean.size:
        end = first
        if allowed[first]:
            level = float(np.median(mean[first : first + 3]))
            within = near * abs(level) + min(noise, near * abs(level))
            while end < mean.size and allowed[end] and abs(mean[end] - level) <= within:
                end += 1
        if end - first >= LEAST_BINS:
            found.append((first, end))
        first = max(end, first + 1)
    return found


def _relaxes(bins: dict[LoopAxis, _Bins], stay: tuple[int, int], spans: WholeRanges) -> bool:
    """Whether the load falls, one way, by far more of itself than the held motion moves."""
    first, end = stay
    load, motion = (bins[axis].mean[first:end] for axis in _AXES)
    if abs(float(np.median(load[:3]))) < AWAY * spans.top or float(np.abs(load).min()) < 0.5 * AWAY * spans.top:
        return False
    from_load, lost = _lost(load)
    moved = abs(_lost(motion)[1])
    one_way = float(np.ptp(load)) <= ONE_WAY * from_load * lost + float(np.median(bins["load"].moved[first:end]))
    return lost >= LEAST_LOST and lost >= STEADIER * moved and one_way


def _lost(mean: Floats) -> tuple[float, float]:
    """Size at the beginning, and what of it is gone at the end."""
    begins, ends = (float(np.median(mean[part])) for part in (slice(0, 3), slice(-3, None)))
    return abs(begins), 1.0 - ends / begins


def _hold(stretch: Stretch, axis: LoopAxis, both: dict[LoopAxis, _Bins], first: int, end: int) -> Hold:
    bins = both[axis]
    level = float(np.median(bins.mean[first:end]))
    (before, rested), (after, rests) = _rest(bins.mean, first, -1, level), _rest(bins.mean, end - 1, 1, level)
    at, to = first * bins.size, end * bins.size
    lasted = float(stretch.time_s[to - 1] - stretch.time_s[at])
    return Hold(
        stretch.file, stretch.mode, axis, (stretch.number, at), to, int(stretch.signals.time_us[at]), level, lasted,
        before, after, bins.size * bins.step * min(rested, rests), end == bins.mean.size,
        *_lost(both["load"].mean[first:end]),
    )  # fmt: skip


def _rest(mean: Floats, at: int, way: Literal[1, -1], level: float) -> tuple[float, int]:
    """Level at which it rests next, that way in time, and for how many bins; NaN where the samples end before."""
    at += way
    while 0 < at < mean.size - 1 and abs(mean[at + way] - mean[at]) > RAMPING * abs(level):
        at += way
    beyond = mean[: at + 1][::-1] if way < 0 else mean[at:]
    if beyond.size < 2 or float(np.ptp(beyond[:3])) > 3 * RAMPING * abs(level):
        return float("nan"), 0
    rest = float(np.median(beyond[:3]))
    left = np.flatnonzero(np.abs(beyond - rest) > RAMPING * abs(level))
    return rest, int(left[0]) if left.size else int(beyond.size)
