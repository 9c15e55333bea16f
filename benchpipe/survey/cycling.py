"""Cycles of all stretches → load cycling and sweeps, each with its targets, ends and rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.robust import mad_sigma
from benchpipe.samples.stream import matches
from benchpipe.survey.activity import FLAT, SLOW_S, AxisCycles, LoopAxis
from benchpipe.survey.rows import where_of
from benchpipe.survey.runin import find_baseline
from benchpipe.survey.seen import CyclicSeen, LevelSeen, SlowSeen, SweepSeen, Where
from benchpipe.survey.stretches import Surveyed

SAME_ENDS = 0.1  # of the range: cycles of one kind in two logs
SAME_RATE = 1.3
STEADY = 0.05  # of the range: nearly all peaks and valleys of steady cycling lie so near one another
STEADIER = 2.0  # times as steady as the other: that axis is controlled
SOFT, WIDER = 0.25, 1.5  # of the stiffness and of the motion of the stiffest cycles: a free joint against a spring
SOFTEST = 0.1  # of the stiffness: so, whatever the motion
WIDE_LOOP = 0.5  # of the load's range follows the motion: less has too much friction for a locked joint
EVEN_SPEED = 0.32  # scatter of the motion over its range: between that of constant speed and of a sine
LONGEST = 3.0  # periods after which a sweep that did not come back is a stop, as in the processing
FEWEST = 3
SAME_PERIOD = 0.2  # of the period
Floats = NDArray[np.float64]
ByAxis = dict[LoopAxis, list[AxisCycles]]


@dataclass(frozen=True)
class Repeating:
    """What repeats: cycling, sweeps, and slow motion that may be either."""

    cyclic: tuple[CyclicSeen, ...]
    sweeps: tuple[SweepSeen, ...]
    slow: tuple[SlowSeen, ...]


def repeating_of(cycles: ByAxis, surveyed: Surveyed) -> Repeating:
    """Tell cycles and sweeps apart, and put together those of one kind."""
    stiffest = _stiffest(cycles)
    masks = {axis: [_are_sweeps(c, stiffest, surveyed.free) for c in found] for axis, found in cycles.items()}

    def part(axis: LoopAxis, *, sweeps: bool) -> list[AxisCycles]:
        pairs = zip(cycles[axis], masks[axis], strict=True)
        return [own for c, mask in pairs if len(own := c.select(mask if sweeps else ~mask))]

    sweeps = part("motion", sweeps=True)
    cycling: ByAxis = {axis: part(axis, sweeps=False) for axis in cycles}
    found = list(_cyclic(cycling, sweeps, stiffest, surveyed))
    return Repeating(
        tuple(one for one in found if isinstance(one, CyclicSeen)), tuple(_sweeps(sweeps, cycling, surveyed)),
        tuple(one for one in found if isinstance(one, SlowSeen)),
    )  # fmt: skip


def _stiffest(cycles: ByAxis) -> AxisCycles | None:
    found = [c for some in cycles.values() for c in some if len(c) >= FEWEST]
    return max(found, key=lambda c: float(np.median(c.stiffness)), default=None)


def _are_sweeps(cycles: AxisCycles, stiffest: AxisCycles | None, free: frozenset[int]) -> NDArray[np.bool_]:
    """Slow cycles in which the load hardly follows the motion, or of a joint that is far softer than when locked."""
    slow = cycles.period_s >= SLOW_S
    if cycles.mode in free:
        return slow
    flat = np.nan_to_num(cycles.flat, nan=1.0) < FLAT
    if stiffest is not None and cycles is not stiffest:
        part = cycles.stiffness / float(np.median(stiffest.stiffness))
        wide = _reach(cycles) >= WIDER * float(np.median(_reach(stiffest)))
        flat |= ((part < SOFT) & wide) | (part < SOFTEST)
    return np.asarray(slow & flat)


def _reach(cycles: AxisCycles) -> Floats:
    return np.asarray(cycles.motion_max - cycles.motion_min)


def _by_mode(found: list[AxisCycles]) -> dict[int | None, list[AxisCycles]]:
    grouped: dict[int | None, list[AxisCycles]] = defaultdict(list)
    for one in found:
        grouped[one.mode].append(one)
    return dict(grouped)


def _cyclic(
    cycling: ByAxis, sweeps: list[AxisCycles], stiffest: AxisCycles | None, surveyed: Surveyed
) -> Iterator[CyclicSeen | SlowSeen]:
    by_axis = {axis: _by_mode(found) for axis, found in cycling.items()}
    for mode in dict.fromkeys([*by_axis["load"], *by_axis["motion"]]):
        swept = {one.file for one in sweeps if one.mode == mode}
        kinds = [
            (own, axis, files)
            for own in _activities({a: by_axis[a].get(mode, []) for a in by_axis})
            for axis in (_axis(own),) for files in _alike(own[axis])
        ]  # fmt: skip
        for own, axis, files in kinds:
            part = {a: [one for one in found if one.file in files] for a, found in own.items()}
            if sum(map(len, part[axis])) < FEWEST:
                continue
            rest = {f for other, _, others in kinds if other is not own for f in others}
            what = "sweeps" if files & swept or not files & rest else "other cycles"
            where = where_of(min(c.at for c in part[axis]), files, mode, swept | rest, what, surveyed)
            one = _one_cyclic(part, axis, where, surveyed)
            yield (
                SlowSeen(where, one, _sweep(part["motion"], where, surveyed))
                if _may_be_sweeps(one, part, stiffest)
                else one
            )


def _activities(own: ByAxis) -> Iterator[ByAxis]:
    """Cycles that both axes show at one time, and those that one axis shows alone."""
    load, motion = own["load"], own["motion"]
    both: ByAxis = {
        "load": [c for c in load if any(c.beside(other) for other in motion)],
        "motion": [c for c in motion if any(c.beside(other) for other in load)],
    }
    for axis, found in own.items():
        marks = [_mark(c) for c in both[axis]]
        both[axis] += [c for c in found if c not in both[axis] and any(_near(_mark(c), mark) for mark in marks)]
    if any(both.values()):
        yield both
    for axis, found in own.items():
        alone = [c for c in found if c not in both[axis]]
        if alone:
            yield {"load": [], "motion": [], axis: alone}


def _axis(own: dict[LoopAxis, list[AxisCycles]]) -> LoopAxis:
    """The axis that shows each cycle once: the steadier of the two, or that with fewer peaks."""
    counts = {axis: sum(map(len, found)) for axis, found in own.items()}
    if min(counts.values()) == 0:
        return "load" if counts["load"] else "motion"
    if counts["motion"] > 1.3 * counts["load"]:
        return "load"
    return "motion" if counts["load"] > 1.3 * counts["motion"] or _control(own) == "motion" else "load"


def _control(own: dict[LoopAxis, list[AxisCycles]]) -> LoopAxis | None:
    """The axis whose ends are far steadier than the other's."""
    spread = {
        axis: _spread(np.concatenate([_ends(c, axis) for c in found], axis=1)) for axis, found in own.items() if found
    }
    if len(spread) < 2:
        return next(iter(spread), None)
    if spread["load"] * STEADIER < spread["motion"]:
        return "load"
    return "motion" if spread["motion"] * STEADIER < spread["load"] else None


def _ends(cycles: AxisCycles, axis: LoopAxis) -> Floats:
    """Valleys and peaks of an axis, shape (2, n)."""
    pair = (cycles.load_min, cycles.load_max) if axis == "load" else (cycles.motion_min, cycles.motion_max)
    return np.stack(pair)


def _spread(ends: Floats) -> float:
    """How far the middle nine tenths of valleys and peaks lie apart, over the range."""
    low, high = np.quantile(ends, 0.05, axis=1), np.quantile(ends, 0.95, axis=1)
    span = float(np.median(ends[1] - ends[0]))
    return float((high - low).max()) / span if span > 0.0 else float("inf")


def _mark(*parts: AxisCycles) -> Floats:
    """Middle valley, peak and period."""
    ends = np.median(np.concatenate([_ends(c, c.axis) for c in parts], axis=1), axis=1)
    return np.array([*ends, float(np.median(np.concatenate([c.period_s for c in parts])))])


def _near(one: Floats, other: Floats) -> bool:
    near = float(np.abs(one[:2] - other[:2]).max()) <= SAME_ENDS * float(other[1] - other[0])
    return near and 1.0 / SAME_RATE <= one[2] / other[2] <= SAME_RATE


def _alike(found: list[AxisCycles]) -> Iterator[set[str]]:
    """Logs whose cycles have the same ends and the same frequency."""
    by_file: dict[str, list[AxisCycles]] = defaultdict(list)
    for one in found:
        by_file[one.file].append(one)
    groups: list[tuple[Floats, set[str]]] = []
    for file, parts in by_file.items():
        mark = _mark(*parts)
        known = next((files for other, files in groups if _near(mark, other)), None)
        if known is None:
            groups.append((mark, {file}))
        else:
            known.add(file)
    yield from (files for _, files in groups)


def _one_cyclic(own: ByAxis, axis: LoopAxis, where: Where, surveyed: Surveyed) -> CyclicSeen:
    found = own[axis]
    ends = np.concatenate([_ends(c, axis) for c in found], axis=1)
    periods = np.concatenate([c.period_s for c in found])
    valley, peak = (LevelSeen(float(np.median(x)), float(mad_sigma(x))) for x in ends)
    slow, fast = (float(1.0 / x) for x in np.quantile(periods, (0.95, 0.05)))
    baseline, why = find_baseline(np.concatenate([c.stiffness for c in found]), surveyed.first_count)
    return CyclicSeen(
        where, int(periods.size), axis, _control(own), valley, peak, _spread(ends) <= STEADY,
        1.0 / _usual(periods), (slow, fast), baseline, why,
    )  # fmt: skip


def _usual(periods: Floats) -> float:
    """Mean of the periods that are like the middle one: single ones are whole samples long."""
    middle = float(np.median(periods))
    return float(periods[np.abs(periods - middle) <= SAME_PERIOD * middle].mean())


def _may_be_sweeps(one: CyclicSeen, own: ByAxis, stiffest: AxisCycles | None) -> bool:
    """Slow motion under control, with no stiffer cycles to compare with, at one speed or with a wide loop."""
    motion = own["motion"]
    alone = stiffest is not None and any(c.at == stiffest.at for some in own.values() for c in some)
    if one.control != "motion" or not motion or not alone:
        return False
    period, flat, scatter = (
        float(np.median(np.concatenate([getattr(c, name) for c in motion]))) for name in ("period_s", "flat", "scatter")
    )
    return period >= SLOW_S and (flat < WIDE_LOOP or scatter < EVEN_SPEED)


def _sweeps(found: list[AxisCycles], cycling: ByAxis, surveyed: Surveyed) -> Iterator[SweepSeen]:
    for mode, parts in _by_mode(found).items():
        files = {one.file for one in parts}
        others = {one.file for some in cycling.values() for one in some if one.mode == mode}
        at = min(one.at for one in parts)
        yield _sweep(parts, where_of(at, files, mode, others, "cycles", surveyed), surveyed)


def _sweep(parts: list[AxisCycles], where: Where, surveyed: Surveyed) -> SweepSeen:
    def of(pick: Callable[[AxisCycles], Floats]) -> Floats:
        return np.concatenate([pick(c) for c in parts])

    periods = of(lambda c: c.period_s)
    seen = SweepSeen(
        where, int(periods.size),
        float(np.median(of(lambda c: c.motion_min))), float(np.median(of(lambda c: c.motion_max))),
        (float(np.max(of(lambda c: c.free_low))), float(np.min(of(lambda c: c.free_high)))),
        float(np.max(of(lambda c: c.resistance))),
        float(np.max(np.abs(of(lambda c: np.maximum(c.load_max, -c.load_min))))),
        float(periods.min()), float(periods.max()),
    )  # fmt: skip
    return replace(seen, sweeps=_closed(seen, surveyed))


def _closed(seen: SweepSeen, surveyed: Surveyed) -> int:
    """Sweeps that the block would find: from one rise through both thresholds to the next."""
    low, high = seen.thresholds
    closed, armed, last_us, begun_us = 0, False, None, None
    for stretch in surveyed.stretches:
        if stretch.mode != seen.where.mode or not matches(stretch.file, seen.where.files or ("*",)):
            continue
        time_us, motion = stretch.signals.time_us, stretch.signals.motion
        if last_us is None or not 0 < int(time_us[0]) - last_us <= 0.5e6 * seen.slowest_s:
            armed, begun_us = False, None
        event = np.flatnonzero((motion < low) | (motion >= high))
        rises = motion[event] >= high
        changed = np.flatnonzero(np.diff(rises, prepend=not armed if event.size else False))
        for k in changed.tolist():
            if rises[k] and armed:
                at = int(time_us[event[k]])
                closed += begun_us is not None and at - begun_us <= LONGEST * 1e6 * seen.slowest_s
                begun_us = at
            armed = not rises[k]
        last_us = int(time_us[-1])
    return closed
