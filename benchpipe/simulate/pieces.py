"""Pieces of a run: each holds everything needed to make its samples, independent of the pieces before.

A run is planned piece by piece in order (cheap: one row of constants a cycle);
the samples are then made by any thread in any order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate.rig import SimulatedRigConfig
from benchpipe.simulate.waves import CONSTANTS, measure_cycles, sample_cycles

Floats = NDArray[np.float64]
MOST_ROWS = 1 << 17  # in a piece


@dataclass(frozen=True)
class Place:
    """Where a piece's samples stand in the run.

    ``row`` is the number of its first row in the whole run; ``start_s`` the run time of
    the stretch's sample 0, ``first`` the piece's first sample in the stretch.
    """

    row: int
    start_s: float
    rate_hz: float
    first: int
    count: int
    clock_zero_s: float  # run time at which the elapsed clock was last zero
    series: int  # of log files: a stop may begin a new one
    tare: float  # load the load cell shows with nothing on it
    locked: bool
    cycles: int  # completed in the run when the piece begins
    counted: int  # of which the rig's counter knows

    def local_s(self, skew_s: float = 0.0) -> Floats:
        """Time of each sample in its stretch [s], never before its start."""
        local = np.arange(self.first, self.first + self.count) / self.rate_hz - skew_s
        return np.maximum(local, 0.0) if skew_s > 0 else local

    def time_s(self) -> Floats:
        """Run time of each sample [s]."""
        return self.start_s + self.local_s()


@dataclass(frozen=True)
class TrueRows:
    """True signals of consecutive rows; ``cycles`` and ``counted`` are completed ones.

    ``shank``, shape (3, n), of a roll: tilt [deg], ankle forward and up [mm]; elsewhere the shank rests at zero.
    """

    place: Place
    time_s: Floats
    load: Floats
    motion: Floats
    temperature_c: Floats
    cycles: NDArray[np.int64]
    counted: NDArray[np.int64]
    shank: Floats | None = None


@dataclass(frozen=True)
class Warmth:
    """Specimen temperature: the room's, and an exponential rise or fall of its own."""

    rig: SimulatedRigConfig
    start_s: float
    from_k: float
    to_k: float
    tau_s: float

    def own_k(self, time_s: Floats) -> Floats:
        """Rise above the room [K]."""
        since = np.maximum(time_s - self.start_s, 0.0)
        return np.asarray(self.to_k + (self.from_k - self.to_k) * np.exp(-since / self.tau_s))

    def temperature_c(self, time_s: Floats) -> Floats:
        """Temperature [degC] at run times [s], any shape."""
        return self.rig.room.temperature_c(time_s, self.rig.day_offset_s) + self.own_k(time_s)


class Piece(Protocol):
    """What every kind of piece can do."""

    @property
    def place(self) -> Place:
        """Where its rows stand."""

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows."""


def steady(place: Place, load: Floats, motion: Floats, temperature_c: Floats) -> TrueRows:
    """Rows in which no cycle ends."""
    cycles = np.full(place.count, place.cycles)
    counted = np.full(place.count, place.counted)
    return TrueRows(place, place.time_s(), load, motion, temperature_c, cycles, counted)


@dataclass(frozen=True)
class BlendPiece:
    """From one (load, motion) to another by a half cosine: start and stop of cycling."""

    place: Place
    warmth: Warmth
    duration_s: float
    before: tuple[float, float]
    after: tuple[float, float]

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows."""
        load = self._blend(self.place.local_s(load_skew_s), 0)
        motion = self._blend(self.place.local_s(motion_skew_s), 1)
        return steady(self.place, load, motion, self.warmth.temperature_c(self.place.time_s()))

    def _blend(self, local_s: Floats, axis: int) -> Floats:
        part = 0.5 - 0.5 * np.cos(np.pi * np.clip(local_s / self.duration_s, 0.0, 1.0))
        return np.asarray(self.before[axis] + (self.after[axis] - self.before[axis]) * part)


@dataclass(frozen=True)
class PathPiece:
    """Load along a path, motion answering it (holds, proofs, rest)."""

    place: Place
    answer: Answer

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows."""
        load = self.answer.load(self.place.local_s(load_skew_s))
        motion = self.answer.motion(self.place.local_s(motion_skew_s))
        return steady(self.place, load, motion, self.answer.warmth.temperature_c(self.place.time_s()))


class Answer(Protocol):
    """Load and motion of a stretch as functions of its time."""

    @property
    def warmth(self) -> Warmth:
        """Specimen temperature."""

    def load(self, local_s: Floats) -> Floats:
        """Load at times of the stretch [s]."""

    def motion(self, local_s: Floats) -> Floats:
        """Motion at times of the stretch [s]."""


@dataclass(frozen=True)
class CyclePiece:
    """Whole cycles, and the part of one where a stop breaks it."""

    place: Place
    frequency_hz: float
    split: float
    by_motion: bool
    first_cycle: int  # in the stretch, from 0
    starts: NDArray[np.int64]
    constants: Floats
    temperatures_c: Floats
    ramping: NDArray[np.bool_]
    broken: bool  # the last cycle is not completed

    def sample(self, load_skew_s: float, motion_skew_s: float) -> TrueRows:
        """Make its rows."""
        place = self.place
        load, motion, temperature = (np.empty(place.count) for _ in range(3))
        sample_cycles(
            self.constants, self.starts, self.first_cycle, place.rate_hz, self.frequency_hz, self.split,
            self.by_motion, load_skew_s, motion_skew_s, self.temperatures_c, load, motion, temperature,
        )  # fmt: skip
        done = np.repeat(np.arange(len(self.constants)), np.diff(self.starts))
        return TrueRows(place, place.time_s(), load, motion, temperature, place.cycles + done, place.counted + done)

    def measures(self) -> Floats:
        """True measures of its complete cycles, shape (m, len(waves.TRUTH))."""
        complete = len(self.constants) - int(self.broken)
        return measure_cycles(self.constants[:complete], self.frequency_hz, self.split, self.by_motion)

    def start_times_s(self) -> Floats:
        """Run time at which each complete cycle begins [s], shape (m,)."""
        complete = len(self.constants) - int(self.broken)
        numbers: NDArray[np.int64] = self.first_cycle + np.arange(complete)
        return self.place.start_s + numbers / self.frequency_hz


def column(name: str) -> int:
    """Place of a constant in a cycle's row."""
    return CONSTANTS.index(name)
