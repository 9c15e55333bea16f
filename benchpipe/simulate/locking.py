"""Plan lock changes: the free joint moves, is locked, slips until it holds, is loaded and unlocked."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.blocks import LockingConfig
from benchpipe.simulate.pieces import BlendPiece, Piece, Place, TrueRows, Warmth, steady
from benchpipe.simulate.truth import LockTruth
from benchpipe.simulate.walk import Walk
from benchpipe.simulate.waves import deflections

Floats = NDArray[np.float64]
REST_S = 0.5  # between unlocking and the next move
FAIL_S = 2.0  # a failing lock is noticed and unlocked


@dataclass(frozen=True)
class MovingPiece:
    """Motion at a constant speed from a place, under a constant load."""

    place: Place
    warmth: Warmth
    begin: float
    speed: float
    load: float

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows."""
        load = np.full(self.place.count, self.load)
        motion = self.begin + self.speed * self.place.local_s(motion_skew_s)
        return steady(self.place, load, motion, self.warmth.temperature_c(self.place.time_s()))


@dataclass
class _Joint:
    """Where the joint is, between two stretches."""

    walk: Walk
    rate_hz: float
    at: float

    def move(self, duration_s: float, speed: float, load: float, *, locked: bool) -> Iterator[Piece]:
        """Move for a time."""
        start, begin = self.walk.time_s, self.at
        make = partial(MovingPiece, warmth=self.walk.warmth, begin=begin, speed=speed, load=load)
        yield from self.walk.stretch(duration_s, self.rate_hz, make, locked=locked)
        self.at = begin + speed * (self.walk.time_s - start)

    def load(self, duration_s: float, before: float, after: float) -> Iterator[Piece]:
        """Bring the load of the locked joint from one to another; its spring answers."""
        play = float(self.walk.specimen.play(np.asarray(float(self.walk.cycles))))
        spring, take_up = self.walk.spring_now(), self.walk.specimen.backlash.take_up
        x = self.at + deflections(np.array([before, after]), *spring, play, take_up)
        ends = (before, float(x[0])), (after, float(x[1]))
        make = partial(BlendPiece, warmth=self.walk.warmth, duration_s=duration_s, before=ends[0], after=ends[1])
        yield from self.walk.stretch(duration_s, self.rate_hz, make)


def locking(walk: Walk, block: LockingConfig) -> Generator[Piece, None, tuple[LockTruth, ...]]:
    """Plan a locking block; returns the truth of its locks."""
    rest = walk.rest_motion()
    joint = _Joint(walk, block.sample_rate_hz or walk.rig.sample_rate_hz, rest)
    truths = []
    for number in range(1, block.locks + 1):
        yield from joint.move(block.angle / block.speed, block.speed, block.resistance, locked=False)
        locked_s, asked, failed = walk.time_s, joint.at, number in block.failing
        for _ in range(block.bounces):
            for locked in (True, False):
                yield from joint.move(block.bounce_s, block.speed, block.resistance, locked=locked)
        moved = FAIL_S if failed else max(block.engage_s - (walk.time_s - locked_s), 0.0)
        if moved > 0.0:
            yield from joint.move(moved, block.speed, block.resistance, locked=True)
        holds_s, slip = walk.time_s - locked_s, joint.at - asked
        if not failed:
            for duration, before, after in (
                (block.load_s, 0.0, block.load),
                (block.hold_s, block.load, block.load),
                (block.load_s, block.load, 0.0),
            ):
                yield from joint.load(duration, before, after)
        truths.append(LockTruth(locked_s, walk.time_s, asked, holds_s, slip, failed))
        back = joint.at - rest
        yield from joint.move(back / block.speed, -block.speed, -block.resistance, locked=False)
        joint.at = rest
        yield from joint.move(REST_S, 0.0, 0.0, locked=False)
    return tuple(truths)
