"""Channels → the run's load and motion, through the rig's geometry."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.plan import Block
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import SampleBatch, SampleInput, stream_samples
from benchpipe.units import INSIDE_UNIT

MM_PER_M = 1000.0
ENERGY_FACTOR = {"torque": np.pi / 180.0, "force": 1e-3}  # N*m x deg → J, N x mm → J


@dataclass(frozen=True)
class Signals:
    """Load and motion in the run's units, with what goes with them.

    Attributes
    ----------
    time_us : int64 array, shape (n,)
    load, motion : float arrays, shape (n,)
        Finite.
    temperature : float array, shape (n,) or (0,)
        NaN where missing.
    counter : float array, shape (n,) or (0,)
    """

    time_us: NDArray[np.int64]
    load: NDArray[Any]
    motion: NDArray[Any]
    temperature: NDArray[Any]
    counter: NDArray[Any]

    def __len__(self) -> int:
        return int(self.time_us.size)

    def part(self, first: int, last: int) -> Signals:
        """Samples ``first … last - 1``."""
        return Signals(*(a[first:last] for a in self._arrays()))

    def select(self, mask: NDArray[np.bool_]) -> Signals:
        """Samples where ``mask`` is true."""
        return Signals(*(a[mask] if a.size else a for a in self._arrays()))

    def followed_by(self, other: Signals) -> Signals:
        """These samples and then the others."""
        pairs = zip(self._arrays(), other._arrays(), strict=True)
        return Signals(*(_joined(pair) for pair in pairs))

    def copy(self) -> Signals:
        """The same samples in memory of their own."""
        return Signals(*(_joined((a,)) for a in self._arrays()))

    def _arrays(self) -> tuple[NDArray[Any], ...]:
        return self.time_us, self.load, self.motion, self.temperature, self.counter


def _joined(arrays: tuple[NDArray[Any], ...]) -> NDArray[Any]:
    """Arrays one after the other, read-only like those from a file (kernels are compiled once)."""
    joined = np.concatenate(arrays)
    joined.flags.writeable = False
    return joined


def signal_columns(rig: RigConfig, mode: int | None = None) -> list[str]:
    """Channels that the signals are made of; the mode channel only where a block asks for a mode."""
    names = [rig.load.channel, rig.motion.channel, rig.temperature, rig.counter]
    names += [rig.mode] if mode is not None else []
    return list(dict.fromkeys(name for name in names if name is not None))


def signal_units(rig: RigConfig) -> dict[str, str]:
    """Units of the run's load and motion."""
    return {"load": INSIDE_UNIT[rig.load_quantity], "motion": INSIDE_UNIT[rig.motion_quantity]}


def to_signals(batch: SampleBatch, rig: RigConfig, mode: int | None = None) -> Signals:
    """Derive load and motion; samples without one of them, or of another mode, are left out."""
    load = _load(batch.columns[rig.load.channel], rig.load)
    motion = _motion(batch.columns[rig.motion.channel], load, rig.motion)
    nothing: NDArray[Any] = np.empty(0, np.float32)
    temperature = batch.columns[rig.temperature] if rig.temperature else nothing
    counter = batch.columns[rig.counter] if rig.counter else nothing
    signals = Signals(batch.time_us, load, motion, temperature, counter)
    if mode is None or rig.mode is None:
        with np.errstate(invalid="ignore", over="ignore"):
            if np.isfinite(load.sum() + motion.sum()):  # a sum is finite only if all its terms are
                return signals
        good = np.isfinite(load) & np.isfinite(motion)
    else:
        good = np.isfinite(load) & np.isfinite(motion) & (batch.columns[rig.mode] == mode)
    return signals if good.all() else signals.select(good)


def block_signals(
    store: RunStore,
    inputs: list[SampleInput],
    rig: RigConfig,
    block: Block,
    from_us: int | None = None,
    until_us: int | None = None,
) -> Iterator[Signals]:
    """Stream the signals of a block's samples, in order."""
    columns = signal_columns(rig, block.mode)
    for batch in stream_samples(store.folder, inputs, columns, from_us, until_us):
        yield to_signals(batch, rig, block.mode)


def _load(values: NDArray[Any], axis: AxisConfig) -> NDArray[Any]:
    if axis.lever_arm is not None:
        return values.astype(np.float64) * (axis.sign * axis.lever_arm / MM_PER_M)
    return values if axis.sign == 1 else -values


def _motion(values: NDArray[Any], load: NDArray[Any], axis: AxisConfig) -> NDArray[Any]:
    motion = values if axis.sign == 1 else -values
    if axis.lever_arm is not None:
        motion = np.degrees(motion.astype(np.float64) / axis.lever_arm)
    elif axis.sine_bar is not None:
        motion = np.degrees(np.arcsin(np.clip(motion.astype(np.float64) / axis.sine_bar, -1.0, 1.0)))
    if axis.machine_stiffness is not None:
        motion = motion.astype(np.float64) - load.astype(np.float64) / axis.machine_stiffness.value
    return motion
