"""Samples of a second logger, interpolated at the times of the first.

A value is interpolated between two neighbouring samples of the second logger that are no farther apart than one
step of the slower logger, and is missing elsewhere. So no value lies outside those that were measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from benchpipe.samples.inputs import SampleInput

Whole = NDArray[np.int64]
Read = Callable[[int, int, list[str]], tuple[Whole, dict[str, NDArray[Any]]]]


class ClockLine(NamedTuple):
    """Offset of the second clock from a time of the first on: second = first + offset + ppm * (first - from) / 1e6.

    ``joined``: whether rows are joined by it; they are not where the offset was found to be another.
    """

    from_us: int
    offset_us: int
    ppm: float
    joined: bool


@dataclass(frozen=True)
class SecondLog:
    """Samples of the second logger beside some of the first's.

    Attributes
    ----------
    channels : tuple of str
        Channels that it has; those in ``held`` (mode, counter) show the sample before, and no mean of two.
    inputs : tuple of SampleInput
        Its samples, at times of its own axis, in order.
    lines : tuple of ClockLine
        In order; the first holds before its time too.
    reach_us : int
        Longest step between neighbours that is interpolated.
    """

    channels: tuple[str, ...]
    held: tuple[str, ...]
    inputs: tuple[SampleInput, ...]
    lines: tuple[ClockLine, ...]
    reach_us: int

    @property
    def identity(self) -> list[Any]:
        """What decides the values it gives."""
        return [[one.identity for one in self.inputs], [list(line) for line in self.lines], self.reach_us]

    def clock_us(self, time_us: Whole) -> Whole:
        """Times by the second clock, on its own axis, of times on the run's."""
        return on_second_clock(self.lines, time_us)

    def values_at(self, time_us: Whole, names: list[str], read: Read) -> dict[str, NDArray[Any]]:
        """Its channels at times of the run's axis.

        Parameters
        ----------
        time_us : int64 array, shape (n,)
        names : list of str
            Channels wanted.
        read : callable
            ``read(first_us, last_us, names)`` gives times and channels of its samples between two times.

        Returns
        -------
        dict of float32 arrays, shape (n,)
            NaN where there is no value.
        """
        if not names or not time_us.size:
            return {name: np.empty(0, np.float32) for name in names}
        wanted = self.clock_us(time_us)
        of, values = read(int(wanted[0]) - self.reach_us, int(wanted[-1]) + self.reach_us, names)
        if not of.size:
            return {name: np.full(time_us.size, np.nan, np.float32) for name in names}
        left = np.clip(np.searchsorted(of, wanted, "right") - 1, 0, of.size - 1)
        right = np.where(of[left] == wanted, left, np.minimum(left + 1, of.size - 1))
        step = of[right] - of[left]
        lines = np.array([line.joined for line in self.lines])[_line_at(self.lines, time_us)]
        outside = (of[left] > wanted) | (of[right] < wanted) | (step > self.reach_us) | ~lines
        part = np.divide(wanted - of[left], step, out=np.zeros(wanted.size), where=step > 0)
        found = {}
        for name in names:
            known = values[name]
            value = known[left]
            if name not in self.held:
                a, b = value.astype(np.float64), known[right].astype(np.float64)
                value = (a + part * (b - a)).astype(np.float32)
            found[name] = np.where(outside, np.float32(np.nan), value)
        return found


def on_second_clock(lines: tuple[ClockLine, ...], time_us: Whole) -> Whole:
    """Times by the second clock of times on the run's axis."""
    which = _line_at(lines, time_us)
    start, offset = (np.array([line[k] for line in lines], np.int64)[which] for k in (0, 1))
    ppm = np.array([line.ppm for line in lines])[which]
    return time_us + offset + np.rint(ppm * 1e-6 * (time_us - start)).astype(np.int64)


def on_first_clock(lines: tuple[ClockLine, ...], second_us: Whole) -> Whole:
    """Times on the run's axis of times by the second clock, to a microsecond or so."""
    near = second_us - (on_second_clock(lines, second_us) - second_us)
    return second_us - (on_second_clock(lines, near) - near)


def lines_between(lines: tuple[ClockLine, ...], first_us: int, last_us: int) -> tuple[ClockLine, ...]:
    """Lines in force at some time between two of the run's axis."""
    first, last = _line_at(lines, np.array([first_us, last_us])).tolist()
    return lines[first : last + 1]


def _line_at(lines: tuple[ClockLine, ...], time_us: Whole) -> NDArray[np.intp]:
    return np.maximum(np.searchsorted([line.from_us for line in lines], time_us, "right") - 1, 0)
