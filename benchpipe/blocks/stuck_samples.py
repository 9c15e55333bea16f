"""Samples of a block at which load or motion repeats one value for longer than its noise leaves by chance.

A sensor that is stuck, or clipped, shows no fall, no slip and no overload. A joint that is locked well does stand
still, and may come to rest: its motion is only called stuck where the noise is there on both sides of the run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.block import BlockTask
from benchpipe.blocks.sample_noise import SAMPLES
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.kernels.digits import rounding, smallest_step
from benchpipe.kernels.repeats import BESIDE, MANY, chance_beside, chance_repeats, stuck_samples
from benchpipe.kernels.sample_noise import sample_noise
from benchpipe.samples.lost import Losses, Whole, in_order
from benchpipe.samples.signals import Signals, block_signals, gearing


@dataclass(frozen=True)
class Stillness:
    """When a signal repeats one value for too long.

    Attributes
    ----------
    most : float
        Most repeats in a row that noise leaves by chance; infinite: nothing can be decided.
    step : float
        Of its last digit.
    beside : bool
        Whether the samples on both sides of a run have to show the noise, too.
    """

    most: float
    step: float
    beside: bool

    def is_stuck(self, repeats: int, before: NDArray[Any], after: NDArray[Any]) -> bool:
        """Whether a run of so many repeats between these samples is one of a stuck sensor."""
        if not self.beside:
            return repeats > self.most
        return repeats > max(self.most, chance_beside(before, after, self.step, both_sides=True))


class StuckSamples:
    """Takes a signal batch by batch, and collects the samples of runs that are too long."""

    def __init__(self, rule: Stillness) -> None:
        self._rule = rule
        self._times, self._values = np.empty(0, np.int64), np.empty(0, np.float64)
        self._decided = np.iinfo(np.int64).min  # runs that begin until then
        self._found: list[Losses] = []

    def take(self, time_us: Whole, values: NDArray[Any]) -> None:
        """Take samples that follow the last ones."""
        if math.isinf(self._rule.most):
            return
        self._times = np.concatenate((self._times, time_us))
        self._values = np.concatenate((self._values, values))
        keep = self._decide(ended=False)
        self._times, self._values = self._times[keep:], self._values[keep:]

    def _decide(self, *, ended: bool) -> int:
        """Decide on each run that can be; gives the sample from which the others are needed."""
        times, values, beside = self._times, self._values, BESIDE if self._rule.beside else 0
        begin = np.flatnonzero(np.diff(values, prepend=np.nan) != 0.0)
        end = np.append(begin[1:], values.size)
        for k in np.flatnonzero(end - begin > self._rule.most + 1).tolist():
            a, b = int(begin[k]), int(end[k])
            if times[a] <= self._decided:
                continue
            if not ended and (b == values.size or b + beside > values.size):
                return max(a - beside, 0)
            self._decided = int(times[a])
            if self._rule.is_stuck(b - a - 1, values[max(a - BESIDE, 0) : a], values[b : b + BESIDE]):
                self._found.append(Losses(times[a:b], np.ones(b - a, np.int64)))
        return max(int(begin[-1]) - beside, 0) if begin.size else 0

    def found(self) -> Losses:
        """The samples of such runs, the one in which the samples end among them. Nothing is taken after that."""
        if not math.isinf(self._rule.most):
            self._decide(ended=True)
        return in_order(self._found)


class StuckSignals:
    """Looks for stuck samples in load and motion."""

    def __init__(self, load: Stillness, motion: Stillness) -> None:
        self._load, self._motion = StuckSamples(load), StuckSamples(motion)

    def take(self, signals: Signals) -> None:
        """Take samples that follow the last ones."""
        self._load.take(signals.time_us, signals.load)
        self._motion.take(signals.time_us, signals.motion)

    def between(self, after_us: Whole, until_us: Whole) -> NDArray[np.int64]:
        """How many samples of the worse signal are stuck after one time and until another."""
        found = [one.found().between(after_us, until_us) for one in (self._load, self._motion)]
        return np.maximum(*found)


def stuck_rows(own: Signals, *, still: bool) -> int:
    """How many samples of a sweep or window have a stuck load or motion, by the noise in it alone.

    ``still``: the motion may come to rest.
    """
    stuck = stuck_samples(own.load) | stuck_samples(own.motion, both_sides=still)
    return int(stuck.sum())


def stuck_signals(task: BlockTask[Any, Any], rig: RigConfig) -> StuckSignals:
    """The rules of a block: noise and last digit of its signals, from its first samples."""
    load, motion = _first(block_signals(task.store, task.inputs, rig, task.block))
    return StuckSignals(
        _rule(rig, rig.load, load, beside=False, known=True),
        _rule(rig, rig.motion, motion, beside=True, known=rig.motion.machine_stiffness is None),
    )


def _rule(rig: RigConfig, axis: AxisConfig, values: NDArray[np.float64], *, beside: bool, known: bool) -> Stillness:
    """Rule of one signal; the load's noise is in a motion that the machine's stiffness was taken off: not ``known``."""
    given = rig.find(axis.channel).resolution
    is_load = axis is rig.load
    step = given.value * gearing(axis, is_load=is_load) if given is not None else smallest_step(values)
    if step is None or not known:
        return Stillness(math.inf, math.nan, beside)
    step = max(step, rounding(values))
    return Stillness(chance_repeats(sample_noise(values), step, MANY), step, beside)


def _first(pieces: Iterator[Signals]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Load and motion of the first samples."""
    load, motion, count = [np.empty(0)], [np.empty(0)], 0
    for piece in pieces:
        load.append(np.asarray(piece.load, np.float64))
        motion.append(np.asarray(piece.motion, np.float64))
        count += len(piece)
        if count >= SAMPLES:
            break
    return np.concatenate(load)[:SAMPLES], np.concatenate(motion)[:SAMPLES]
