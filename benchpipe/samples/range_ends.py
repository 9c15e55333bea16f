"""Values of a signal at the ends of its channel's range.

A zero that was taken off the samples moves the ends by as much: a cell of 100 N that reads 3 N when nothing
loads it saturates where its samples say 97 N. Zeros hold from a time on, and so do the ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.samples.inputs import SampleInput

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HeldLevel:
    """A value that holds until it steps.

    Attributes
    ----------
    from_us : int64 array, shape (k,)
        Times of the steps, rising.
    values : float64 array, shape (k + 1,)
        Before the first step, and from each on.
    """

    from_us: NDArray[np.int64]
    values: Floats

    def at(self, time_us: NDArray[np.int64]) -> Floats:
        """The level at some times."""
        found: Floats = self.values[np.searchsorted(self.from_us, time_us, "right")]
        return found


@dataclass(frozen=True)
class RangeEnds:
    """Lower and upper end of a signal's range; infinite where it is not known."""

    low: HeldLevel
    high: HeldLevel


_NO_STEP = np.empty(0, np.int64)
NO_ZERO = HeldLevel(_NO_STEP, np.array([0.0]))
NO_ENDS = RangeEnds(HeldLevel(_NO_STEP, np.array([-np.inf])), HeldLevel(_NO_STEP, np.array([np.inf])))


def range_ends(rig: RigConfig, axis: AxisConfig, inputs: Sequence[SampleInput], valley: str | None = None) -> RangeEnds:
    """Ends of an axis' range where its signal is the channel itself, as its samples show them.

    Parameters
    ----------
    inputs : sequence of SampleInput
        The samples that are compared with the ends, in order.
    valley : str, optional
        The channel that shows the lower end, where it is not the axis' own.
    """
    channel = rig.find(axis.channel)
    if channel.range is None or not axis.direct:
        return NO_ENDS
    bottom, top = sorted(end.value for end in channel.range)
    low = _less(bottom, taken_off(inputs, valley or axis.channel), axis.sign)
    high = _less(top, taken_off(inputs, axis.channel), axis.sign)
    return RangeEnds(low, high) if axis.sign == 1 else RangeEnds(high, low)


def channel_ends(rig: RigConfig, name: str, inputs: Sequence[SampleInput]) -> RangeEnds:
    """Ends of a channel's range, as its samples show them."""
    channel = rig.find(name)
    if channel.range is None:
        return NO_ENDS
    bottom, top = sorted(end.value for end in channel.range)
    zero = taken_off(inputs, name)
    return RangeEnds(_less(bottom, zero, 1), _less(top, zero, 1))


def _less(end: float, zero: HeldLevel, sign: int) -> HeldLevel:
    return HeldLevel(zero.from_us, np.array([sign * less_zero(end, value) for value in zero.values.tolist()]))


def less_zero(end: float, zero: float) -> float:
    """An end less a zero, in the single precision in which samples are kept and zeros are taken off."""
    return float(np.float32(end) - np.float32(zero))


def taken_off(inputs: Sequence[SampleInput], channel: str) -> HeldLevel:
    """What was taken off a channel, from when on."""
    from_us: list[int] = []
    values: list[float] = []
    for one in inputs:
        for us, value in dict(one.zeros).get(channel, ((None, 0.0),)):
            if values and value != values[-1]:
                from_us.append(_begin(one) if us is None else us)
            if not values or value != values[-1]:
                values.append(value)
    return HeldLevel(np.array(from_us, np.int64), np.array(values or [0.0]))


def _begin(one: SampleInput) -> int:
    """A time that none of its samples is before, and all samples of earlier inputs are."""
    times = (one.first_us, None if one.after_us is None else one.after_us + 1)
    return max((us for us in times if us is not None), default=0)
