"""Channels → the run's load and motion, through the rig's geometry.

Channels with different delays are aligned with the latest of them: the others are read between
their samples at an earlier time, linearly. For a sine of f that reads
low by at most (π f Δt)² / 2 with samples Δt apart (1.2e-4 at 200 samples a cycle).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.block import BlockConfig
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.kernels.finite import surely_finite
from benchpipe.kernels.read_only import read_only
from benchpipe.samples.inputs import SampleInput
from benchpipe.samples.lost import Losses, dropped_samples, no_losses
from benchpipe.samples.silences import with_silences
from benchpipe.samples.stream import SampleBatch, stream_samples
from benchpipe.store.run_store import RunStore
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
    change_us : int64 array, shape (n,) or (0,)
        Where the mode changed since the sample before, the longest step between rows of the log there
        (:mod:`benchpipe.blocks.cyclic.mode_changes`); else 0.
    silence_us : int64 array, shape (n,) or (0,)
        From the sample before to the next row of the log that is not lost, whatever its mode; where asked for.
    also : mapping of float arrays, shape (n,)
        Other channels that were asked for, by name, as they were logged.
    """

    time_us: NDArray[np.int64]
    load: NDArray[Any]
    motion: NDArray[Any]
    temperature: NDArray[Any]
    counter: NDArray[Any]
    change_us: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    silence_us: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    also: Mapping[str, NDArray[Any]] = field(default_factory=dict, kw_only=True)

    def __post_init__(self) -> None:
        """Seen read-only, however they came: kernels are compiled once."""
        for name, values in zip(ARRAYS, self._arrays(), strict=True):
            if values.flags.writeable:
                object.__setattr__(self, name, read_only(values))
        if self.also:
            object.__setattr__(self, "also", {name: read_only(values) for name, values in self.also.items()})

    def __len__(self) -> int:
        return int(self.time_us.size)

    def part(self, first: int, last: int) -> Signals:
        """Samples ``first … last - 1``."""
        return self._each(lambda a: a[first:last])

    def between(self, from_us: int, until_us: int) -> Signals:
        """Samples from one time to another, that included."""
        first, end = np.searchsorted(self.time_us, [from_us, until_us + 1])
        return self.part(int(first), int(end))

    def select(self, mask: NDArray[np.bool_]) -> Signals:
        """Samples where ``mask`` is true."""
        return self._each(lambda a: a[mask])

    def followed_by(self, other: Signals) -> Signals:
        """These samples and then the others."""
        pairs = zip(self._arrays(), other._arrays(), strict=True)
        also = {name: np.concatenate((values, other.also[name])) for name, values in self.also.items()}
        arrays = (np.concatenate((a, b)) if a.size or b.size else a for a, b in pairs)
        return Signals(*arrays, also=also)

    def copy(self) -> Signals:
        """The same samples in memory of their own."""
        return self._each(np.ndarray.copy)

    def _each(self, change: Callable[[NDArray[Any]], NDArray[Any]]) -> Signals:
        also = {name: change(values) for name, values in self.also.items()}
        return Signals(*(change(a) if a.size else a for a in self._arrays()), also=also)

    def _arrays(self) -> tuple[NDArray[Any], ...]:
        return self.time_us, self.load, self.motion, self.temperature, self.counter, self.change_us, self.silence_us


ARRAYS = tuple(one.name for one in fields(Signals) if one.name != "also")


def signal_columns(rig: RigConfig, mode: int | None = None, also: Iterable[str] = ()) -> list[str]:
    """Channels that the signals are made of; the mode channel only where a block asks for a mode, or for that itself.

    ``also`` names others that are wanted beside them.
    """
    names: list[str | None] = [rig.load.channel, rig.motion.channel, rig.temperature, rig.counter]
    names += [rig.mode] if mode is not None else []
    names += also
    return list(dict.fromkeys(name for name in names if name is not None))


def signal_units(rig: RigConfig) -> dict[str, str]:
    """Units of the run's load and motion."""
    return {"load": INSIDE_UNIT[rig.load_quantity], "motion": INSIDE_UNIT[rig.motion_quantity]}


def look_back_us(rig: RigConfig) -> int:
    """How long before a sample the others must be known to bring the channels to one delay."""
    most = max(_lags_us(rig).values())
    return 0 if most == 0 else most + _gap_us(rig)


def to_signals(batch: SampleBatch, rig: RigConfig, mode: int | None = None, also: Iterable[str] = ()) -> Signals:
    """Derive load and motion; samples without one of them, or of another mode, are left out.

    Where channels have delays the batch must begin with the samples of :func:`look_back_us`. ``also`` names channels
    that go with them as they are.
    """
    return signals_and_losses(batch, rig, mode, also)[0]


def signals_and_losses(
    batch: SampleBatch, rig: RigConfig, mode: int | None = None, also: Iterable[str] = ()
) -> tuple[Signals, Losses]:
    """Derive load and motion as :func:`to_signals` does, and count the samples of the mode that lack one of them.

    A sample whose mode is not known counts as lost. One that lacks a channel only because that is late, and a gap or
    the beginning of the log lies just before, does not: the gap shows by itself.
    """
    load, motion = (_brought_back(batch, name, rig) for name in (rig.load.channel, rig.motion.channel))
    load = _load(load, rig.load)
    motion = _motion(motion, load, rig.motion)
    nothing: NDArray[Any] = np.empty(0, np.float32)
    new = slice(batch.context, None)
    temperature = batch.columns[rig.temperature][new] if rig.temperature else nothing
    counter = batch.columns[rig.counter][new] if rig.counter else nothing
    others = {name: batch.columns[name][new] for name in also}
    signals = Signals(batch.time_us[new], load, motion, temperature, counter, also=others)
    if mode is None or rig.mode is None:
        if surely_finite(load) and surely_finite(motion):
            return signals, no_losses()
        good = np.isfinite(load) & np.isfinite(motion)
    else:
        good = np.isfinite(load) & np.isfinite(motion) & (batch.columns[rig.mode][new] == mode)
    if good.all():
        return signals, no_losses()
    lost = of_block(batch, rig, mode) & ~good
    return signals.select(good), dropped_samples(signals.time_us, lost)


def of_block(batch: SampleBatch, rig: RigConfig, mode: int | None) -> NDArray[np.bool_]:
    """Which new samples of a batch are the block's or may be, and have all channels that their delays let them have."""
    new = slice(batch.context, None)
    found = np.ones(batch.time_us[new].size, bool)
    if mode is not None and rig.mode is not None:
        shown = batch.columns[rig.mode][new]
        found = (shown == mode) | np.isnan(shown)
    for lag in _lags_us(rig).values():
        if lag:
            found &= ~_reached(batch, lag, rig).beyond
    return found


def block_signals(
    store: RunStore,
    inputs: list[SampleInput],
    rig: RigConfig,
    block: BlockConfig,
    from_us: int | None = None,
    until_us: int | None = None,
    *,
    silences: bool = False,
) -> Iterator[Signals]:
    """Stream the signals of a block's samples, in order; ``silences``: with what the log is silent for before each."""
    columns, left = signal_columns(rig, block.mode), None
    for batch in stream_samples(store.folder, inputs, columns, from_us, until_us, back_us=look_back_us(rig)):
        signals = to_signals(batch, rig, block.mode)
        if silences:
            signals, left = with_silences(signals, _of_others(batch, rig, block.mode), left)
        yield signals


def _of_others(batch: SampleBatch, rig: RigConfig, mode: int | None) -> NDArray[np.int64]:
    """Times of the new rows of a batch that are of another mode."""
    time_us = batch.time_us[batch.context :]
    if mode is None or rig.mode is None:
        return time_us[:0]
    shown = batch.columns[rig.mode][batch.context :]
    return np.asarray(time_us[(shown != mode) & ~np.isnan(shown)])


def _gap_us(rig: RigConfig) -> int:
    return round(1e6 * rig.time.gap_s)


def _lags_us(rig: RigConfig) -> dict[str, int]:
    """How much earlier than the latest of them the channels of load and motion show what happens."""
    delays = {name: rig.find(name).delay for name in (rig.load.channel, rig.motion.channel)}
    return {name: round(1e6 * (max(delays.values()) - delay)) for name, delay in delays.items()}


@dataclass(frozen=True)
class _Reached:
    """Between which samples those of a lag ago lie, at which part of the step, and where a gap lies between."""

    left: NDArray[np.intp]
    right: NDArray[np.intp]
    part: NDArray[np.float64]
    beyond: NDArray[np.bool_]


def _reached(batch: SampleBatch, lag: int, rig: RigConfig) -> _Reached:
    time = batch.time_us
    wanted = time[batch.context :] - lag
    left = np.maximum(np.searchsorted(time, wanted, "right") - 1, 0)
    right = np.minimum(left + 1, time.size - 1)
    step = (time[right] - time[left]).astype(np.float64)
    part = np.divide(wanted - time[left], step, out=np.zeros(wanted.size), where=step > 0)
    return _Reached(left, right, part, (time[left] > wanted) | ((step > _gap_us(rig)) & (part > 0.0)))


def _brought_back(batch: SampleBatch, name: str, rig: RigConfig) -> NDArray[Any]:
    """Values of a channel as they were its lag ago; NaN where a gap or the beginning lies between."""
    values, lag = batch.columns[name], _lags_us(rig)[name]
    if lag == 0:
        return values[batch.context :]
    at = _reached(batch, lag, rig)
    between = values[at.left] + at.part * (values[at.right].astype(np.float64) - values[at.left])
    between = np.where(at.part == 0.0, values[at.left], between)
    between[at.beyond] = np.nan
    return between


def _load(values: NDArray[Any], axis: AxisConfig) -> NDArray[Any]:
    if axis.table:
        return axis.sign * _by_table(values, axis)
    if axis.lever_arm is not None:
        return values.astype(np.float64) * (axis.sign * axis.lever_arm / MM_PER_M)
    return values if axis.sign == 1 else -values


def _motion(values: NDArray[Any], load: NDArray[Any], axis: AxisConfig) -> NDArray[Any]:
    motion = values if axis.sign == 1 else -values
    if axis.table:
        motion = axis.sign * _by_table(values, axis)
    elif axis.lever_arm is not None:
        motion = np.degrees(motion.astype(np.float64) / axis.lever_arm)
    elif axis.sine_bar is not None:
        with np.errstate(invalid="ignore"):
            motion = np.degrees(np.arcsin(motion.astype(np.float64) / axis.sine_bar))
    if axis.machine_stiffness is not None:
        motion = motion.astype(np.float64) - load.astype(np.float64) / axis.machine_stiffness.value
    return motion


def _by_table(values: NDArray[Any], axis: AxisConfig) -> NDArray[Any]:
    """Interpolate the axis' table; NaN outside it."""
    at, value = (np.array([pair[side].value for pair in axis.table]) for side in (0, 1))
    return np.asarray(np.interp(values.astype(np.float64), at, value, left=np.nan, right=np.nan))


def gearing(axis: AxisConfig, *, is_load: bool) -> float:
    """Largest size of the axis's motion or load for one unit of its channel."""
    if axis.table:
        return max(abs((b[1].value - a[1].value) / (b[0].value - a[0].value)) for a, b in pairwise(axis.table))
    if axis.sine_bar is not None:
        return math.degrees(1.0 / axis.sine_bar)  # at the middle; the sine bar is steeper away from it
    if axis.lever_arm is None:
        return 1.0
    return axis.lever_arm / MM_PER_M if is_load else math.degrees(1.0 / axis.lever_arm)
