"""Plan a cyclic block: segments between stops, each of cycles with their own constants."""

from __future__ import annotations

from collections.abc import Generator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchpipe.simulate import waves
from benchpipe.simulate.blocks import CyclicConfig
from benchpipe.simulate.noise import normals, stream_key
from benchpipe.simulate.pieces import MOST_ROWS, BlendPiece, CyclePiece, Piece
from benchpipe.simulate.rig import StopConfig
from benchpipe.simulate.truth import SegmentTruth
from benchpipe.simulate.walk import Walk
from benchpipe.simulate.waves import CONSTANTS, state_at

Floats = NDArray[np.float64]
_LEAK_NODES = 32
_SAMPLE = 1e-6  # of a sample: a border this close to one belongs to it


def cyclic(walk: Walk, block: CyclicConfig) -> Generator[Piece, None, tuple[SegmentTruth, ...]]:
    """Plan a cyclic block; returns the truth of its segments."""
    stops = walk.scenario.stops(block.name)
    segments = []
    done = 0
    ends: list[tuple[float, StopConfig | None]] = [(stop.after_cycles, stop) for stop in stops]
    for end, stop in [*ends, (float(block.cycles), None)]:
        segment = _Segment(walk, block, done, end - done)
        segments.append((yield from segment.plan()))
        done += segment.whole
        if stop is not None:
            _stop(walk, stop)
    return tuple(segments)


def _stop(walk: Walk, stop: StopConfig) -> None:
    walk.time_s += stop.off_s
    walk.series += int(stop.new_file)
    walk.tare += stop.tare_shift
    if stop.counter_resets:
        walk.counted = 0
    if walk.rig.elapsed_restarts:
        walk.clock_zero_s = walk.time_s


class _Segment:
    """Cycling from one start to the next stop: ``n`` cycles, the last perhaps broken."""

    def __init__(self, walk: Walk, block: CyclicConfig, done: int, n: float) -> None:
        self.walk, self.block, self.done = walk, block, done
        self.whole = int(n + 1e-9)
        self.part = n - self.whole if n - self.whole > 1e-9 else 0.0
        self.started = self.whole + int(self.part > 0)
        self.rate_hz = block.sample_rate_hz or walk.rig.sample_rate_hz
        self.split = block.heel_share if block.heel_peak is not None else 0.0
        self.by_motion = block.control == "motion"
        self.scatter_key = stream_key(walk.scenario.seed, block.name, "scatter")

    def plan(self) -> Generator[Piece, None, SegmentTruth]:
        walk, block = self.walk, self.block
        self.softness, self.before = walk.softness_now(), walk.cycles
        rest = (0.0, walk.rest_motion())
        warmth = walk.heat(walk.specimen.self_heating_k)
        first = self._state(self._constants(0, 1)[0][0], 0.0)
        lead = block.approach_s
        yield from walk.stretch(
            lead, self.rate_hz, partial(BlendPiece, warmth=warmth, duration_s=lead, before=rest, after=first)
        )
        start_s, counter = walk.time_s, walk.counter
        last = yield from self._cycles()
        self._end()
        truth = SegmentTruth(
            start_s, walk.time_s, self.done + 1, self.started, self.whole,
            int(self._ramp(np.arange(self.whole)).astype(bool).sum()), counter, walk.counter, self.softness,
        )  # fmt: skip
        warmth = walk.heat(0.0)
        rest = (0.0, walk.rest_motion())
        yield from walk.stretch(
            lead, self.rate_hz, partial(BlendPiece, warmth=warmth, duration_s=lead, before=last, after=rest)
        )
        return truth

    def _cycles(self) -> Generator[Piece, None, tuple[float, float]]:
        """All cycles; returns load and motion at the end."""
        walk, per_cycle = self.walk, self.rate_hz / self.block.frequency_hz
        step = max(1, int(MOST_ROWS / np.ceil(per_cycle)))
        zero, completed, counted = walk.row, walk.cycles, walk.counted
        for j in range(0, self.started, step):
            m = min(step, self.started - j)
            numbers = np.arange(j, j + m + 1)
            borders = np.minimum(numbers, self.whole + self.part)
            starts = np.ceil(borders * per_cycle - _SAMPLE).astype(np.int64)
            constants, temperatures = self._constants(j, m)
            self._leak(constants, temperatures)
            walk.row, walk.cycles, walk.counted = zero + int(starts[0]), completed + j, counted + j
            place = walk.place(self.rate_hz, int(starts[0]), int(starts[-1] - starts[0]), locked=True)
            yield CyclePiece(
                place, self.block.frequency_hz, self.split, self.by_motion, j, starts, constants, temperatures,
                self._ramp(numbers[:-1]) > 0, self.part > 0 and j + m == self.started,
            )  # fmt: skip
        walk.cycles, walk.counted = completed + self.whole, counted + self.whole
        walk.row = zero + int(starts[-1])
        walk.time_s += int(starts[-1]) / self.rate_hz
        return self._state(constants[-1], self.part)

    def _end(self) -> None:
        walk = self.walk
        walk.softness = self.softness * float(np.exp(-self.whole / walk.specimen.ageing.softening_cycles))
        walk.cycling_ended_s = walk.time_s

    def _state(self, constants: Floats, phase: float) -> tuple[float, float]:
        load, motion = state_at(constants, phase, self.block.frequency_hz, self.split, self.by_motion)
        return float(load), float(motion)

    def _ramp(self, number: NDArray[np.int64]) -> Floats:
        """Part of the range that the ramps take off, 0 to 1, for cycles of the segment from 0."""
        up, down = self.block.ramp_up_cycles, self.block.ramp_down_cycles
        rising = (number + 1) / (up + 1)
        falling = (self.whole - number) / (down + 1) if not self.part else np.ones(len(number))
        return np.maximum(1.0 - np.minimum(rising, falling), 0.0)

    def _constants(self, j: int, m: int) -> tuple[Floats, Floats]:
        """Constants (columns as waves.CONSTANTS) of cycles ``j … j + m - 1``, and border temperatures."""
        walk, block, specimen = self.walk, self.block, self.walk.specimen
        number = np.arange(j, j + m)
        in_block = self.done + number
        cycle = (self.before + number).astype(np.float64)
        warm = walk.warmth.temperature_c(walk.time_s + np.arange(j, j + m + 1) / block.frequency_hz)
        temperature = 0.5 * (warm[:-1] + warm[1:])
        softness = self.softness * np.exp(-number / specimen.ageing.softening_cycles)
        factor = specimen.stiffness_factor(cycle, softness, temperature)
        scale = (1.0 + (block.fade_to - 1.0) * in_block / block.cycles) * (1.0 - self._ramp(number))
        if block.scatter:
            scale = scale * (1.0 + block.scatter * normals(self.scatter_key, self.done + j, m))
        heel = block.heel_peak if block.heel_peak is not None else block.peak
        out = np.empty((m, len(CONSTANTS)))
        k1 = specimen.spring.stiffness * factor
        out[:, waves.BASE] = block.valley
        out[:, waves.HEEL] = block.valley + (heel - block.valley) * scale
        out[:, waves.PEAK] = block.valley + (block.peak - block.valley) * scale
        out[:, waves.K1] = k1
        out[:, waves.K3] = specimen.spring.cubic * factor
        out[:, waves.TAU] = specimen.loss.damping * specimen.thinning(temperature) / k1
        out[:, waves.FRICTION] = specimen.friction(cycle)
        out[:, waves.PLAY] = specimen.play(cycle)
        out[:, waves.TAKE_UP] = specimen.backlash.take_up
        out[:, waves.OFFSET] = walk.offset + specimen.expansion(temperature)
        return out, warm

    def _leak(self, constants: Floats, warm: Floats) -> None:
        """Move each cycle on by what leaked before it, and the walk by what leaked in all."""
        if self.by_motion or not self.block.leaks or not self.walk.specimen.lock.leak_per_h:
            return
        turn = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(_LEAK_NODES) + 0.5) / _LEAK_NODES)
        temperature = 0.5 * (warm[:-1, None] + warm[1:, None])
        leaked = np.zeros(len(constants))
        for peak, part in ((1, self.split), (2, 1.0 - self.split)):
            load = constants[:, :1] + (constants[:, peak : peak + 1] - constants[:, :1]) * turn
            leaked += part * self.walk.specimen.leak_per_s(load, temperature).mean(axis=1)
        so_far = np.cumsum(leaked / self.block.frequency_hz)
        constants[1:, waves.OFFSET] += so_far[:-1]
        self.walk.offset += float(so_far[-1])
