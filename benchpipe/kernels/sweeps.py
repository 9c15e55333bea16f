"""Measure one slow sweep through the free range, there and back, from its raw samples.

A sweep begins and ends where the motion rises through one angle: it goes forward to its top, back to its
bottom, and forward again.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite, nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.breakpoints import BreakpointResult, SpanResult, backlash, end_stop
from benchpipe.kernels.filters import smooth
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation, mad_sigma, median
from benchpipe.kernels.sweep_fit import breakaway, local_speed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Direction = Literal["forward", "back"]
SIGN: dict[Direction, float] = {"forward": 1.0, "back": -1.0}

BINS = 16
"""Averages of the resistance along the range."""
STEADY = 0.15
"""Standard deviation of the speed in an average, in parts of it, above which the speed was changed there."""
SPEED_PART = 0.01
"""Half of the time, in parts of the sweep, over which speed is taken."""
DEAD_PART = 0.1
"""Dead band in parts of the sweep's fastest speed, where none is given."""
BRANCH = (0.2, 0.8)
"""Parts of the resistance between which a branch at a reversal is drawn straight."""
FEWEST_OF_BRANCH = 4
WIDEST_LASH = 0.1
"""Half of the widest interval of the backlash that tells anything, in parts of the motion swept."""
FEWEST_OF_START = 20
SMOOTHED = 5
"""Samples whose running median breakaway is read from."""
SAME_SPEED = 0.1
"""Speeds there and back that differ by more are not compared."""
MEDIAN_FACTOR = sqrt(np.pi / 2)  # standard error of a median over that of a mean, normal values


@dataclass(frozen=True)
class SweepSettings:
    """How a sweep is measured; loads and motions in the run's units.

    ``inner``: where resistance is taken, clear of the end stops; they are sought outside ``stops_beyond``.
    ``dead_band``: speed [motion/s] at or below which nothing is taken for moving; None for a tenth of the
    sweep's fastest. ``breakaway_within``: motion after a standstill in which breaking away is over.
    ``weights``: half of a symmetric low-pass of the load, centre first.
    """

    inner: tuple[float, float]
    usable_load: float
    stops_beyond: tuple[float, float]
    dead_band: float | None
    breakaway_within: float
    weights: Floats


@dataclass(frozen=True, eq=False)
class DirectionMeasures:
    """One direction of a sweep.

    ``peak`` is the largest low-passed size of the load inside the range, ``breakaway`` that in the first
    motion after a standstill; both with their standard error from the load's noise. ``motion``, ``speed``,
    ``load``, ``temperature`` (float64, shape (n,)) are averages along the range of ``count`` samples each,
    speed and load with their signs.
    """

    peak: float
    peak_u: float
    breakaway: float
    breakaway_u: float
    motion: Floats
    speed: Floats
    load: Floats
    temperature: Floats
    count: Ints


@dataclass(frozen=True)
class Estimate:
    """A value and its standard error."""

    value: float
    u: float


@dataclass(frozen=True, eq=False)
class SweepResult:
    """What a sweep measures; NaN where it is not known, and ``remarks`` why.

    ``asymmetry`` is the mean size of the load forward less that back.
    """

    usable: Estimate
    lower: BreakpointResult
    upper: BreakpointResult
    backlash: SpanResult
    asymmetry: Estimate
    directions: dict[Direction, DirectionMeasures]
    remarks: tuple[str, ...]


def measure_sweep(
    time_s: Floats, load: Floats, motion: Floats, temperature: Floats, settings: SweepSettings
) -> SweepResult:
    """Measure a sweep.

    Parameters
    ----------
    time_s, load, motion : float64 arrays, shape (n,)
        Samples from one rise through an angle to the next, in order.
    temperature : float64 array, shape (n,)
        NaN where it is not known.
    settings : SweepSettings

    Returns
    -------
    SweepResult
    """
    n = motion.size
    top = int(np.argmax(motion))
    bottom = top + int(np.argmin(motion[top:]))
    calm, gain = _low_passed(load, settings.weights)
    reach = max(1, round(SPEED_PART * n))
    speed = local_speed(time_s, motion, reach)
    size = np.abs(speed[np.isfinite(speed)])
    fastest = float(np.quantile(size, 0.95)) if size.size else nan
    dead = DEAD_PART * fastest if settings.dead_band is None else settings.dead_band
    noise = mad_sigma(np.diff(load)) / sqrt(2.0)
    at = np.arange(n)
    forward = (at <= top) | (at >= bottom)
    starts, breaking = _starts(motion, speed, dead, reach, settings)
    inside = (motion >= settings.inner[0]) & (motion <= settings.inner[1])
    directions: dict[Direction, DirectionMeasures] = {}
    way: Direction
    for way, of_way in (("forward", forward), ("back", ~forward)):
        moving = inside & ~breaking & of_way & (SIGN[way] * speed > dead)
        own = np.flatnonzero(inside & of_way)
        highest = int(own[np.argmax(np.abs(calm[own]))]) if own.size else -1
        peak, peak_u = (float(abs(calm[highest])), noise * float(gain[highest])) if own.size else (nan, nan)
        found = [
            breakaway(motion[a:], load[a:], within=settings.breakaway_within, smooth=SMOOTHED).load
            for a, sign in starts if sign == SIGN[way]
        ]  # fmt: skip
        known = np.array([v for v in found if isfinite(v)])
        u = MEDIAN_FACTOR * noise / sqrt(SMOOTHED * known.size) if known.size else nan
        directions[way] = DirectionMeasures(
            peak, peak_u, median(known), u,
            *_averages(settings.inner, moving, motion, speed, load, temperature),
        )  # fmt: skip
    lower, upper = _stops(motion, load, top, bottom, settings)
    play = _lash(motion, load, top, bottom, directions)
    asymmetry, unlike = _asymmetry(directions)
    usable = usable_range(motion, load, settings.usable_load)
    remarks = [
        f"{side} end stop: not reached, or too few samples in it"
        for side, stop in (("lower", lower), ("upper", upper)) if not stop.converged
    ] + ([] if play.converged else ["backlash: too few samples where the load changes its sign"]) + unlike  # fmt: skip
    return SweepResult(usable, lower, upper, play, asymmetry, directions, tuple(remarks))


def surviving_peaks(
    time_s: Floats, load: Floats, motion: Floats, settings: SweepSettings, gap_s: float
) -> dict[Direction, Estimate]:
    """Largest low-passed size of the load inside the range, of a sweep that is not whole.

    Parameters
    ----------
    time_s, load, motion : float64 arrays, shape (n,)
        What is left of the samples, in order.
    settings : SweepSettings
    gap_s : float
        A longer step is a gap: the low-pass does not reach across it.

    Returns
    -------
    dict of Estimate
        By direction; NaN where no sample of it is left.
    """
    reach = settings.weights.size
    best: dict[Direction, Estimate] = dict.fromkeys(SIGN, Estimate(nan, nan))
    for own in np.split(np.arange(motion.size), np.flatnonzero(np.diff(time_s) > gap_s) + 1):
        if own.size <= 2 * reach:
            continue
        x, q = motion[own], load[own]
        calm, gain = _low_passed(q, settings.weights)
        at = np.arange(own.size)
        goes = x[np.minimum(at + reach, at[-1])] - x[np.maximum(at - reach, 0)]
        seen = (x >= settings.inner[0]) & (x <= settings.inner[1])
        noise = mad_sigma(np.diff(q)) / sqrt(2.0)
        for way, sign in SIGN.items():
            there = np.flatnonzero(seen & (sign * goes >= 0.0))
            if there.size:
                highest = int(there[np.argmax(np.abs(calm[there]))])
                peak = float(abs(calm[highest]))
                best[way] = best[way] if peak <= best[way].value else Estimate(peak, noise * float(gain[highest]))
    return best


def _low_passed(load: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """The load behind the low-pass, and by how much that takes down the noise of a sample.

    Where the filter sees one side only, it is the mean of what there is: a catch there is not missed, and a straight
    slope is shifted by less than the filter is long.
    """
    edge = weights.size - 1
    if not edge:
        return load, np.ones(load.size)
    calm = smooth(load, weights)
    whole = np.concatenate((weights[:0:-1], weights))
    gain = np.full(load.size, float(np.sqrt(np.sum(whole**2))))
    for k in range(min(edge, load.size)):
        part = whole[edge - k :][: load.size]  # of the sample k from an end
        share = part / part.sum()
        size = float(np.sqrt(np.sum(share**2)))
        calm[k], calm[load.size - 1 - k] = share @ load[: part.size], share @ load[::-1][: part.size]
        gain[k] = gain[load.size - 1 - k] = size
    return calm, gain


def _starts(
    motion: Floats, speed: Floats, dead: float, reach: int, settings: SweepSettings
) -> tuple[list[tuple[int, float]], NDArray[np.bool_]]:
    """Starts from standstill inside the range (sample, direction), and the samples that are stopping or starting.

    A start that is over in too few samples is none: its load would be that of a moving joint.
    """
    with np.errstate(invalid="ignore"):
        still = np.abs(speed) <= dead
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    starts, breaking = [], np.zeros(motion.size, bool)
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        place = float(motion[end - 1])
        if end == motion.size or not settings.inner[0] <= place <= settings.inner[1]:
            continue
        begin = (first + end) // 2  # the load of the way before has gone
        moved = np.flatnonzero(np.abs(motion[begin:] - motion[begin]) >= settings.breakaway_within)
        last = begin + int(moved[0]) + 1 if moved.size else motion.size
        breaking[max(first - 2 * reach, 0) : last] = True  # speed is smeared before
        if last - end >= FEWEST_OF_START:
            starts.append((begin, float(np.sign(motion[last - 1] - motion[begin]))))
    return starts, breaking


def _averages(
    inner: tuple[float, float], rows: NDArray[np.bool_],
    motion: Floats, speed: Floats, load: Floats, temperature: Floats,
) -> tuple[Floats, Floats, Floats, Floats, Ints]:  # fmt: skip
    """Means over equal parts of the range, those without samples or with a change of speed left out."""
    part = (motion[rows] - inner[0]) * (BINS / (inner[1] - inner[0]))
    index = np.clip(part.astype(np.int64), 0, BINS - 1)
    count = np.bincount(index, minlength=BINS)
    with np.errstate(invalid="ignore"):
        mean, square = (np.bincount(index, v, BINS) / count for v in (speed[rows], speed[rows] ** 2))
        steady = square - mean**2 <= (STEADY * mean) ** 2
    full = (count > 0) & steady
    means = [np.bincount(index, v[rows], BINS)[full] / count[full] for v in (motion, speed, load, temperature)]
    return means[0], means[1], means[2], means[3], count[full]


def _stops(
    motion: Floats, load: Floats, top: int, bottom: int, settings: SweepSettings
) -> tuple[BreakpointResult, BreakpointResult]:
    """Lower and upper end stop, each from the leg into it."""
    up, down = slice(0, top + 1), slice(top, bottom + 1)
    low, high = motion[down] <= settings.stops_beyond[0], motion[up] >= settings.stops_beyond[1]
    return (
        end_stop(motion[down][low], load[down][low], "lower"),
        end_stop(motion[up][high], load[up][high], "upper"),
    )


def _lash(
    motion: Floats, load: Floats, top: int, bottom: int, directions: dict[Direction, DirectionMeasures]
) -> SpanResult:
    """Mean over the reversals of the gap between the branch that goes and the branch that comes."""
    none = SpanResult(nan, nan, nan, 0.95, False)
    level = {way: median(SIGN[way] * d.load) for way, d in directions.items()}
    if not min(level.values()) > 0:
        return none
    found = []
    turns: tuple[tuple[int, Direction, Direction], ...] = ((top, "forward", "back"), (bottom, "back", "forward"))
    for begin, before, way in turns:
        after = SIGN[way] * load[begin:]  # from below zero to the resistance of the new direction
        full = np.flatnonzero(after >= level[way])
        near = after[: int(full[0])] if full.size else after
        goes = (near <= -BRANCH[0] * level[before]) & (near >= -BRANCH[1] * level[before])
        comes = (near >= BRANCH[0] * level[way]) & (near <= BRANCH[1] * level[way])
        if min(int(goes.sum()), int(comes.sum())) < FEWEST_OF_BRANCH:
            continue
        x, q = motion[begin : begin + near.size], SIGN[way] * near
        pulled, pushed = (comes, goes) if way == "forward" else (goes, comes)
        found.append(backlash(x[pulled], q[pulled], x[pushed], q[pushed]))
    widest = WIDEST_LASH * float(np.ptp(motion))
    found = [f for f in found if f.converged and f.high - f.low <= 2 * widest]
    if not found:
        return none
    value = sum(f.value for f in found) / len(found)
    half = hypot(*((f.high - f.low) / 2 for f in found)) / len(found)
    return SpanResult(value, value - half, value + half, found[0].coverage, True)


def _asymmetry(directions: dict[Direction, DirectionMeasures]) -> tuple[Estimate, list[str]]:
    """Mean size of the load forward less that back, where both went at one speed."""
    ahead, back = directions["forward"], directions["back"]
    none = Estimate(nan, nan)
    if min(ahead.load.size, back.load.size) < 2:
        return none, ["too few samples inside the range to compare the directions"]
    there, here = float(ahead.speed.mean()), -float(back.speed.mean())
    if abs(there - here) > SAME_SPEED * max(there, here):
        return none, ["the directions were swept at different speeds: asymmetry is not given"]
    parts = []
    for values in (ahead.load, -back.load):
        worth = max(effective_size(values.size, lag1_autocorrelation(values) if values.size > 2 else 0.0), 1.0)
        parts.append((float(values.mean()), float(values.std(ddof=1)) / sqrt(worth)))
    return Estimate(parts[0][0] - parts[1][0], hypot(parts[0][1], parts[1][1])), []


def usable_range(motion: Floats, load: Floats, limit: float) -> Estimate:
    """Widest stretch of motion in which ``|load|`` stays at or below a limit.

    Parameters
    ----------
    motion, load : float64 arrays, shape (n,)
        Samples of a sweep, in order of time.
    limit : float
        Size of load, > 0.

    Returns
    -------
    Estimate
        NaN where no sample is within the limit; its ends lie somewhere in the steps to the next samples.
    """
    good = np.abs(load) <= limit
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    best = Estimate(nan, nan)
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        span = float(np.ptp(motion[first:end]))
        if not span <= best.value:
            before, after = motion[max(first - 1, 0)], motion[min(end, motion.size - 1)]
            steps = hypot(float(motion[first] - before), float(after - motion[end - 1]))
            best = Estimate(span, steps / sqrt(3.0))
    return best
