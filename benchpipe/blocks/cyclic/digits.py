"""Channels that flicker in their last digit: a stuck sensor whose value still moves by a digit.

The step of the last digit is the rig file's ``resolution``, else learnt from the block's first samples. A converter
that rests shows up to three neighbouring codes, since noise of a third of a step carries it over both edges of the
middle one: a range of two steps. A channel that the plan moves by ten steps or more and that shows no more than two
in a cycle stood still.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.state import Digits
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.kernels.digits import range_of_parts, smallest_step
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.signals import MM_PER_M
from benchpipe.samples.stream import SampleBatch, stream_samples
from benchpipe.store.run_store import RunStore

STILL_STEPS = 2.0
MOVED_STEPS = 10.0
WINDOW = 10_000  # samples that are looked at together
MOST_WINDOWS = 20  # so many without a movement: the channel is not moved
ROUNDINGS = 4.0  # of single precision in the range of a channel that was brought through the geometry and back
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class StillRule:
    """What tells whether an axis stood still: its geometry, and the step of its channel (0: not known)."""

    axis: AxisConfig
    step: float
    of_load: bool

    def stood(self, load: list[Floats], motion: list[Floats]) -> NDArray[np.bool_]:
        """Which cycles show no more than two steps of the channel.

        Parameters
        ----------
        load, motion : list of float64 arrays, shape (k,)
            Both signals at the same samples of each cycle, the extremes of each among them.
        """
        if self.step <= 0.0:
            return np.zeros(load[0].size, bool)
        shown = load if self.of_load else motion
        if self.axis.machine_stiffness is not None:  # the machine's part moves with the load, the channel does not
            shown = [m + f / self.axis.machine_stiffness.value for m, f in zip(motion, load, strict=True)]
        raw = np.array([self._channel(values) for values in shown])
        fine = np.spacing(np.abs(raw).max(axis=0).astype(np.float32))  # of each cycle, whatever others are there
        found: NDArray[np.bool_] = np.ptp(raw, axis=0) <= STILL_STEPS * self.step + ROUNDINGS * fine
        return found

    def _channel(self, values: Floats) -> Floats:
        """The channel that shows these values of the axis; NaN where that is not one number."""
        axis, own = self.axis, self.axis.sign * values
        if axis.table:
            at, value = (np.array([pair[side].value for pair in axis.table]) for side in (0, 1))
            way = np.sign(value[-1] - value[0])
            one = bool((way * np.diff(value) > 0).all())
            return np.interp(way * own, way * value, at) if one else np.full_like(own, np.nan)
        if axis.lever_arm is not None:
            return own * MM_PER_M / axis.lever_arm if self.of_load else np.radians(own) * axis.lever_arm
        return np.sin(np.radians(own)) * axis.sine_bar if axis.sine_bar is not None else own


def learn_digits(store: RunStore, inputs: list[SampleInput], rig: RigConfig, block: CyclicBlock) -> Digits:
    """Steps of the channels that a block moves.

    The block's samples are looked at in windows of :data:`WINDOW` from the first one on. The first window in which a
    channel moves by ten steps in a nominal cycle gives its step; whatever comes later, it stays.
    """
    names = {"load": rig.load.channel, "motion": rig.motion.channel}
    per_cycle = max(round(rig.time.sample_rate / block.frequency), 2)
    found: dict[str, float] = {}
    held = {name: np.empty(0, np.float32) for name in names}
    windows = 0
    columns = list(dict.fromkeys([*names.values(), *([rig.mode] if rig.mode and block.mode is not None else [])]))
    for batch in stream_samples(store.folder, inputs, columns):
        good = _good(batch, rig, block.mode)
        held = {name: np.concatenate((held[name], batch.columns[channel][good])) for name, channel in names.items()}
        while len(held["load"]) >= WINDOW and len(found) < 2 and windows < MOST_WINDOWS:
            for name in names.keys() - found.keys():
                found |= _step(held[name][:WINDOW], name, rig, per_cycle)
            held = {name: values[WINDOW:] for name, values in held.items()}
            windows += 1
        if len(found) == 2 or windows == MOST_WINDOWS:
            return Digits(found.get("load", 0.0), found.get("motion", 0.0), True)
    for name in names.keys() - found.keys():
        found |= _step(held[name], name, rig, per_cycle)
    return Digits(found.get("load", 0.0), found.get("motion", 0.0), False)


def _step(values: NDArray[Any], name: str, rig: RigConfig, per_cycle: int) -> dict[str, float]:
    """The step of a channel that moves in a window, or 0 where it is continuous; nothing where neither is plain."""
    given = rig.find(getattr(rig, name).channel).resolution
    step = given.value if given is not None else smallest_step(values)
    moved = bool(step) and range_of_parts(values, per_cycle) >= MOVED_STEPS * (step or 0.0)
    return {name: step} if step is not None and (moved or not step) else {}


def _good(batch: SampleBatch, rig: RigConfig, mode: int | None) -> NDArray[np.bool_]:
    """Samples of the block that have both channels."""
    good: NDArray[np.bool_] = np.isfinite(batch.columns[rig.load.channel])
    good &= np.isfinite(batch.columns[rig.motion.channel])
    if mode is not None and rig.mode is not None:
        good &= batch.columns[rig.mode] == mode
    return good
