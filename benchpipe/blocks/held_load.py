"""Samples of a hold or proof at which the load repeats one value for longer than its noise leaves by chance.

A load cell that is stuck, or clipped, shows no fall and no overload. The motion is not judged: a joint that is
locked well does stand still.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.sample_noise import SAMPLES
from benchpipe.blocks.task import BlockTask
from benchpipe.kernels.digits import rounding, smallest_step
from benchpipe.kernels.repeats import chance_repeats
from benchpipe.kernels.sample_noise import sample_noise
from benchpipe.samples.lost import Losses, in_order
from benchpipe.samples.signals import Signals, block_signals, gearing

MANY = 1e8  # samples of a long hold, in which a run may lie


class HeldSamples:
    """Takes the load batch by batch, and collects the samples of runs that are too long.

    Parameters
    ----------
    most : float
        Most repeats in a row that noise leaves by chance; infinite: nothing can be decided.
    """

    def __init__(self, most: float) -> None:
        self._most = most
        self._times, self._values = np.empty(0, np.int64), np.empty(0, np.float64)
        self._found: list[Losses] = []

    def take(self, time_us: NDArray[np.int64], load: NDArray[Any]) -> None:
        """Take samples that follow the last ones."""
        if math.isinf(self._most):
            return
        times, values = np.concatenate((self._times, time_us)), np.concatenate((self._values, load))
        begin = np.flatnonzero(np.diff(values, prepend=np.nan) != 0.0)
        end = np.append(begin[1:], values.size)
        for a, b in zip(begin.tolist(), end.tolist(), strict=True) if (end - begin > self._most + 1).any() else ():
            if b - a > self._most + 1 and b < values.size:
                self._add(times[a:b])
        last = int(begin[-1]) if begin.size else 0
        self._times, self._values = times[last:], values[last:]

    def _add(self, times: NDArray[np.int64]) -> None:
        self._found.append(Losses(times, np.ones(times.size, np.int64)))

    @property
    def found(self) -> Losses:
        """The samples of such runs, the one that the log ends in among them."""
        open_run = [Losses(self._times, np.ones(self._times.size, np.int64))]
        return in_order([*self._found, *(open_run if self._times.size > self._most + 1 else [])])


def held_samples(task: BlockTask[Any, Any]) -> HeldSamples:
    """The rule of a block: noise and last digit of its load, from its first samples."""
    pieces = block_signals(task.store, task.inputs, task.rig, task.block)
    load = np.concatenate([np.empty(0), *_first(pieces)])[:SAMPLES]
    axis = task.rig.load
    given = task.rig.find(axis.channel).resolution
    step = given.value * gearing(axis, is_load=True) if given is not None else smallest_step(load)
    if step is None:
        return HeldSamples(math.inf)
    return HeldSamples(chance_repeats(sample_noise(load), max(step, rounding(load)), MANY))


def _first(pieces: Iterator[Signals]) -> Iterator[NDArray[np.float64]]:
    """Loads of the first pieces, until there are enough."""
    count = 0
    for piece in pieces:
        yield np.asarray(piece.load, np.float64)
        count += len(piece)
        if count >= SAMPLES:
            return
