"""Plan sweeps of the free joint: legs of constant speed, and the resistance along them."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.blocks import SweepConfig
from benchpipe.simulate.pieces import Piece, Place, TrueRows, steady
from benchpipe.simulate.specimen import DirectionConfig, FreeConfig
from benchpipe.simulate.truth import ResistanceTruth, SweepTruth
from benchpipe.simulate.walk import Walk

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Leg:
    """Motion from one angle to another at constant speed.

    ``load = s (coulomb + breakaway e^(-d/d0) + thinning laminar w + orifice w^2)`` plus
    the stops' springs; s is the direction, w the speed, d the way since the turn.
    """

    free: FreeConfig
    begin: float
    end: float
    speed: float
    thinning: float  # oil viscosity over that at the reference temperature
    temperature_c: float

    @property
    def duration_s(self) -> float:
        """Time it takes [s]."""
        return abs(self.end - self.begin) / self.speed

    def motion(self, local_s: Floats) -> Floats:
        """Motion at times of the leg [s]."""
        way = np.clip(local_s * self.speed, 0.0, abs(self.end - self.begin))
        return np.asarray(self.begin + np.sign(self.end - self.begin) * way)

    def load(self, local_s: Floats) -> Floats:
        """Load at times of the leg [s]."""
        free, x = self.free, self.motion(local_s)
        sign = float(np.sign(self.end - self.begin))
        way = free.rising if sign > 0 else free.falling
        steady_load = resistance(way, self.speed, self.thinning)
        breaking = free.breakaway * np.exp(-np.abs(x - self.begin) / free.breakaway_motion)
        stops = np.maximum(x - free.upper_stop, 0.0) + np.minimum(x - free.lower_stop, 0.0)
        return np.asarray(sign * (steady_load + breaking) + free.stop_stiffness * stops)


@dataclass(frozen=True)
class Standstill:
    """A pause: the joint keeps its place, and the friction of the way before its load."""

    place: float
    held: float
    temperature_c: float

    def motion(self, local_s: Floats) -> Floats:
        """Motion at times of the pause [s]."""
        return np.full(local_s.shape, self.place)

    def load(self, local_s: Floats) -> Floats:
        """Load at times of the pause [s]."""
        return np.full(local_s.shape, self.held)


def resistance(way: DirectionConfig, speed: float, thinning: float) -> float:
    """Resistance to steady motion, as a positive load."""
    return way.coulomb + thinning * way.laminar * speed + way.orifice * speed**2


@dataclass(frozen=True)
class LegPiece:
    """Samples of a leg."""

    place: Place
    leg: Leg | Standstill

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows."""
        load = self.leg.load(self.place.local_s(load_skew_s))
        motion = self.leg.motion(self.place.local_s(motion_skew_s))
        return steady(self.place, load, motion, np.full(self.place.count, self.leg.temperature_c))


def sweep(walk: Walk, block: SweepConfig) -> Generator[Piece, None, SweepTruth]:
    """Plan a sweep block; returns its truth."""
    free = walk.specimen.free
    beyond = block.turn_load / free.stop_stiffness
    low, high = free.lower_stop - beyond, free.upper_stop + beyond
    rest = walk.rest_motion()
    rate_hz = block.sample_rate_hz or walk.rig.sample_rate_hz
    temperature = walk.temperature_c()
    turns = [(low, block.speeds[0])]
    ends = (rest, high, rest, low) if block.pause_s else (high, low)
    turns += [(end, speed) for speed in block.speeds for _ in range(block.sweeps) for end in ends]
    turns.append((rest, block.speeds[-1]))
    begin = rest
    for end, speed in turns:
        warm = walk.temperature_c()
        leg = Leg(free, begin, end, speed, float(walk.specimen.thinning(np.asarray(warm))), warm)
        yield from walk.stretch(leg.duration_s, rate_hz, partial(LegPiece, leg=leg), locked=False)
        if block.pause_s and end == rest:
            held = free.rising.coulomb if end > begin else -free.falling.coulomb
            still = Standstill(rest, held, walk.temperature_c())
            yield from walk.stretch(block.pause_s, rate_hz, partial(LegPiece, leg=still), locked=False)
        begin = end
    thinning = float(walk.specimen.thinning(np.asarray(temperature)))
    ways = [
        ResistanceTruth(
            way.coulomb, thinning * way.laminar, way.orifice,
            tuple(resistance(way, speed, thinning) for speed in block.speeds),
        )
        for way in (free.rising, free.falling)
    ]  # fmt: skip
    return SweepTruth(
        block.speeds, block.sweeps, free.lower_stop, free.upper_stop, free.stop_stiffness, low, high,
        free.breakaway, temperature, *ways,
    )  # fmt: skip
