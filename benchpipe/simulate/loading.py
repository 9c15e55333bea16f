"""Plan holds, proofs and rest: a load along a path, and the locked joint's answer to it.

Motion is the spring's under the load, plus log creep of each load step (they add up:
Boltzmann), plus what has leaked, plus permanent set, plus thermal expansion. Friction
is left out of held loads. What has not crept back when a block ends stays.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.blocks import HoldConfig, IdleConfig, ProofConfig
from benchpipe.simulate.pieces import PathPiece, Piece, Warmth
from benchpipe.simulate.specimen import SpecimenConfig
from benchpipe.simulate.truth import HoldPoint, HoldTruth, ProofTruth
from benchpipe.simulate.walk import Walk
from benchpipe.simulate.waves import deflections

Floats = NDArray[np.float64]
KNOT_S = 10.0  # longest step of the leak's integral
BREAK_S = 0.02  # something breaks in this time
AFTER_S = 3.0  # and the rig unloads so long after
# Reading times of creep tests [s]: 1, 3, 6, 12, 30 min, 1, 2, 5, 10, 20, 50, 100 h, those of ISO 899-1 (written from
# memory, not checked), with shorter ones before.
READINGS_S = (10.0, 30.0, 60.0, 180.0, 360.0, 720.0, 1800.0, 3600.0, 7200.0, 18e3, 36e3, 72e3, 18e4, 36e4)


@dataclass(frozen=True)
class LoadPath:
    """Load and motion of a stretch as functions of its time."""

    specimen: SpecimenConfig
    warmth: Warmth
    start_s: float
    spring: tuple[float, float]
    play: float
    offset: float
    knots_s: Floats
    knots_load: Floats
    leaked: Floats  # motion at each knot
    most: Floats  # largest load so far at each knot, the specimen's past included
    creeping: tuple[tuple[float, float], ...]  # load steps: size, time
    wobble: tuple[float, float, float, float]  # amplitude, period, from, to
    jump: tuple[float, float] = (0.0, 0.0)  # motion that goes ahead at a time: size, time

    def load(self, local_s: Floats) -> Floats:
        """Load at times of the stretch [s]."""
        size, period, begin, end = self.wobble
        load = np.interp(local_s, self.knots_s, self.knots_load)
        if size:
            held = (local_s >= begin) & (local_s < end)
            load = load + np.where(held, size * np.sin(2.0 * np.pi * (local_s - begin) / period), 0.0)
        return load

    def elastic(self, load: Floats) -> Floats:
        """Motion of spring and backlash under loads, shape (n,)."""
        return deflections(np.asarray(load, np.float64), *self.spring, self.play, self.specimen.backlash.take_up)

    def creep(self, local_s: Floats) -> Floats:
        """Log-time part of the motion."""
        lock, total = self.specimen.lock, np.zeros_like(local_s)
        for size, since in self.creeping:
            part = lock.creep_per_decade * size / lock.reference_load
            total += part * np.log10(1.0 + np.maximum(local_s - since, 0.0) / lock.creep_time_s)
        return total

    def leak(self, local_s: Floats) -> Floats:
        """Motion leaked since the stretch began."""
        return np.interp(local_s, self.knots_s, self.leaked)

    def yielded(self, local_s: Floats) -> Floats:
        """Permanent set since the stretch began."""
        before = self.most[np.maximum(np.searchsorted(self.knots_s, local_s, side="right") - 1, 0)]
        most = np.maximum(before, np.interp(local_s, self.knots_s, self.knots_load))
        set_now, set_then = self.specimen.permanent_set(most), self.specimen.permanent_set(self.most[:1])
        return np.asarray(set_now - set_then)

    def thermal(self, local_s: Floats) -> Floats:
        """Thermal part of the motion."""
        return self.specimen.expansion(self.warmth.temperature_c(self.start_s + local_s))

    def staying(self, local_s: Floats) -> Floats:
        """Motion that would be there without load and temperature."""
        size, since = self.jump
        ahead = size * np.clip((local_s - since) / BREAK_S, 0.0, 1.0)
        return self.offset + self.creep(local_s) + self.leak(local_s) + self.yielded(local_s) + ahead

    def motion(self, local_s: Floats) -> Floats:
        """Motion at times of the stretch [s]."""
        return self.elastic(self.load(local_s)) + self.staying(local_s) + self.thermal(local_s)


def _lay(
    walk: Walk,
    corners: list[tuple[float, float]],
    creeping: tuple[tuple[float, float], ...],
    wobble: tuple[float, float, float, float] = (0.0, 1.0, 0.0, 0.0),
) -> LoadPath:
    """Lay a path through (time of the stretch, load) corners from where the walk is."""
    specimen = walk.specimen
    times, loads = np.array(corners, np.float64).T
    knots = np.unique(np.concatenate([np.arange(0.0, times[-1], KNOT_S), times]))
    knots_load = np.interp(knots, times, loads)
    rate = specimen.leak_per_s(knots_load, walk.warmth.temperature_c(walk.time_s + knots))
    leaked = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(knots))])
    most = np.maximum.accumulate(np.maximum(knots_load, walk.most_load))
    most[0] = max(walk.most_load, knots_load[0])
    play = float(specimen.play(np.asarray(float(walk.cycles))))
    return LoadPath(
        specimen, walk.warmth, walk.time_s, walk.spring_now(), play, walk.offset, knots, knots_load,
        leaked, most, creeping, wobble,
    )  # fmt: skip


def _follow(walk: Walk, path: LoadPath, rate_hz: float | None, *, locked: bool = True) -> Iterator[Piece]:
    end = np.array([path.knots_s[-1]])
    rate_hz = rate_hz or walk.rig.sample_rate_hz
    yield from walk.stretch(float(end[0]), rate_hz, partial(PathPiece, answer=path), locked=locked)
    walk.offset = float(path.staying(end)[0])
    walk.most_load = float(path.most[-1])


def hold(walk: Walk, block: HoldConfig) -> Generator[Piece, None, HoldTruth]:
    """Plan a hold; returns its truth."""
    reached = block.rest_before_s + block.ramp_s
    unload = reached + block.duration_s
    free = unload + block.ramp_s
    corners = [(0.0, 0.0), (block.rest_before_s, 0.0), (reached, block.load), (unload, block.load), (free, 0.0)]
    if block.recovery_s:
        corners.append((free + block.recovery_s, 0.0))
    wobble = (block.wobble, block.wobble_s, reached, unload)
    path = _lay(walk, corners, ((block.load, reached), (-block.load, free)), wobble)
    start = walk.time_s
    yield from _follow(walk, path, block.sample_rate_hz)
    lock = walk.specimen.lock
    ends = path.warmth.temperature_c(start + np.array([reached, unload]))
    rates = 3600.0 * walk.specimen.leak_per_s(np.array([block.load, block.load]), ends)
    after = np.array([*(t for t in READINGS_S if t < block.duration_s), block.duration_s])
    parts = [part(reached + after) - part(np.array([reached])) for part in (path.creep, path.leak, path.thermal)]
    held = path.elastic(np.full(len(after), block.load)) + path.staying(reached + after) + path.thermal(reached + after)
    return HoldTruth(
        block.load, start + reached, start + unload, float(path.elastic(np.array([block.load]))[0]),
        lock.creep_per_decade * block.load / lock.reference_load, lock.creep_time_s,
        float(rates[0]), float(rates[1]), float(ends[0]), float(ends[1]), walk.offset - path.offset,
        tuple(HoldPoint(*map(float, row)) for row in zip(after, held, *parts, strict=True)),
    )  # fmt: skip


def proof(walk: Walk, block: ProofConfig) -> Generator[Piece, None, ProofTruth]:
    """Plan a proof; returns its truth."""
    if block.load > walk.specimen.lock.break_load:
        return (yield from _broken(walk, block))
    settling = block.settling_load / block.rate_per_s
    ramp = (block.load - block.settling_load) / block.rate_per_s
    settled = settling + block.settle_s
    reached = settled + ramp
    unload = reached + block.hold_s
    back = unload + ramp
    after = back + block.settle_s
    low, high = block.settling_load, block.load
    corners = [(0.0, 0.0), (settling, low), (settled, low), (reached, high), (unload, high), (back, low), (after, low)]
    path = _lay(walk, [*corners, (after + settling, 0.0)], ((high, reached), (-high, back)))
    start = walk.time_s
    yield from _follow(walk, path, block.sample_rate_hz)
    before, top, end = path.motion(np.array([settled, unload, after]))
    stayed = path.staying(np.array([settled, after]))
    return ProofTruth(
        high, low, block.rate_per_s, start + reached, start + unload, float(before), float(top), float(end),
        float(stayed[1] - stayed[0]), float(path.yielded(np.array([after]))[0]),
    )  # fmt: skip


def _broken(walk: Walk, block: ProofConfig) -> Generator[Piece, None, ProofTruth]:
    """Plan a proof in which the specimen breaks on the way up; the rig unloads it then."""
    lock, low = walk.specimen.lock, block.settling_load
    left = lock.break_part * lock.break_load
    settling = low / block.rate_per_s
    settled = settling + block.settle_s
    breaks = settled + (lock.break_load - low) / block.rate_per_s
    unload = breaks + BREAK_S + AFTER_S
    end = unload + left / block.rate_per_s
    corners = [(0.0, 0.0), (settling, low), (settled, low), (breaks, lock.break_load), (breaks + BREAK_S, left)]
    path = _lay(walk, [*corners, (unload, left), (end, 0.0), (end + AFTER_S, 0.0)], ())
    held, kept = path.elastic(np.array([lock.break_load, left]))  # the rig stops: the motion does not come back
    path = replace(path, jump=(float(held - kept) + lock.break_motion, breaks))
    start = walk.time_s
    yield from _follow(walk, path, block.sample_rate_hz)
    before, top, after = path.motion(np.array([settled, breaks, end + AFTER_S]))
    stayed = path.staying(np.array([settled, end + AFTER_S]))
    return ProofTruth(
        block.load, low, block.rate_per_s, start + breaks, start + unload, float(before), float(top), float(after),
        float(stayed[1] - stayed[0]), float(path.yielded(np.array([end]))[0]), lock.break_load,
    )  # fmt: skip


def idle(walk: Walk, block: IdleConfig) -> Generator[Piece, None, None]:
    """Plan rest without load."""
    path = _lay(walk, [(0.0, 0.0), (block.duration_s, 0.0)], ())
    yield from _follow(walk, path, block.sample_rate_hz, locked=block.locked)
