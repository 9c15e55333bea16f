"""Cut signals into cycles, whatever the batches.

A batch may end inside a cycle: its raw samples wait for the next batch. A cycle is
measured from its own samples only, so the borders of batches, files and nights
change nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.plan import CyclicBlock, SweepBlock
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.boundaries import CLOSED, FRESH, OPEN, ScanState, find_boundaries
from benchpipe.kernels.loops import crossing_part
from benchpipe.process.signals import Signals

NEVER_US = 2**62


@dataclass(frozen=True)
class Cut:
    """Where cycles begin and end: two thresholds on load or motion, or the stretches of the log."""

    by_load: bool
    low: float
    high: float
    by_record: bool
    break_us: int
    longest_us: int


@dataclass(frozen=True)
class Anchor:
    """Where to take up the work another night: the sample before the last boundary, and the counts there."""

    time_us: int
    cycles: int
    segment: int


@dataclass(frozen=True)
class Pieces:
    """Cycles that were cut out of ``signals``.

    Attributes
    ----------
    first, end : int64 arrays, shape (k,)
        Samples ``first … end - 1`` lie between the two crossings.
    start_part, end_part : float64 arrays, shape (k,)
        Where the crossings lie in the steps to ``first`` and to ``end``.
    closed : bool array, shape (k,)
    number, segment, samples : int64 arrays, shape (k,)
        ``number`` counts the closed ones.
    """

    signals: Signals
    first: NDArray[np.int64]
    end: NDArray[np.int64]
    start_part: NDArray[np.float64]
    end_part: NDArray[np.float64]
    closed: NDArray[np.bool_]
    number: NDArray[np.int64]
    segment: NDArray[np.int64]
    samples: NDArray[np.int64]

    @property
    def count(self) -> int:
        """How many cycles."""
        return len(self.first)


def cut_of(block: CyclicBlock | SweepBlock, rig: RigConfig) -> Cut:
    """How a block is cut on a rig.

    Thresholds are as the plan says, else a quarter and three quarters of the target range.
    """
    if block.low is not None and block.high is not None:
        low, high = block.low.value, block.high.value
    elif isinstance(block, CyclicBlock) and block.targets is not None:
        bottom, top = (target.value for target in block.targets)
        low, high = bottom + 0.25 * (top - bottom), bottom + 0.75 * (top - bottom)
    else:
        low, high = 0.0, 0.0  # only a block cut by record has neither
    by_record = isinstance(block, CyclicBlock) and block.boundary == "record"
    gap_s = rig.time.gap_s
    return Cut(
        by_load=block.trigger == "load",
        low=low,
        high=high,
        by_record=by_record,
        break_us=round(1e6 * (gap_s if by_record else max(gap_s, 0.5 / block.frequency))),
        longest_us=NEVER_US if by_record else round(1e6 * block.longest_cycle_s),
    )


class Cutter:
    """Takes signals batch by batch and gives the cycles that end in them."""

    def __init__(self, cut: Cut, anchor: Anchor | None = None) -> None:
        self._cut = cut
        self._held: Signals | None = None
        self._state = FRESH if anchor is None else FRESH._replace(armed=True, segment=anchor.segment)
        self._closed = 0 if anchor is None else anchor.cycles
        self.anchor = anchor

    def feed(self, new: Signals) -> Pieces:
        """Cycles that end in these samples."""
        held = self._held if self._held is not None else new.part(0, 0)
        signals = held.followed_by(new)
        if self._cut.by_record:
            events, self._state = _records(signals.time_us, len(held), self._cut.break_us, self._state)
        else:
            events, self._state = find_boundaries(
                signals.time_us, self._trigger(signals), len(held), self._cut.low, self._cut.high,
                self._cut.break_us, self._cut.longest_us, self._state,
            )  # fmt: skip
        pieces = self._pieces(signals, events)
        self._hold(signals)
        return pieces

    def finish(self) -> Pieces:
        """The cycle that is still open at the end of the log (none if no cycle is)."""
        signals = self._held
        if signals is None or not self._state.open:
            return self._pieces(signals or _no_signals(), np.empty((0, 4), np.int64))
        kind = CLOSED if self._cut.by_record else OPEN
        event = [[self._state.start, len(signals), kind, self._state.segment]]
        return self._pieces(signals, np.array(event, np.int64))

    def _trigger(self, signals: Signals) -> NDArray[np.float64]:
        return signals.load if self._cut.by_load else signals.motion

    def _hold(self, signals: Signals) -> None:
        """Keep the samples of the open cycle and the one before it."""
        first = len(signals) - 1
        if self._state.open:
            first = self._state.start - (0 if self._cut.by_record else 1)
            self.anchor = Anchor(int(signals.time_us[first]), self._closed, self._state.segment)
        self._held = signals.part(max(first, 0), len(signals))
        self._state = self._state._replace(start=self._state.start - first)

    def _pieces(self, signals: Signals, events: NDArray[np.int64]) -> Pieces:
        start, end = events[:, 0], events[:, 1]
        closed = events[:, 2] == CLOSED
        first, start_part, end_part = start, np.zeros(len(events)), np.ones(len(events))
        if self._cut.by_record:  # from the first sample to the last
            first, end = start + 1, np.maximum(end - 1, start + 1)
        elif len(events):
            trigger = self._trigger(signals)
            start_part = _part(trigger, start, self._cut.high)
            end_part = np.where(closed, _part(trigger, np.minimum(end, len(signals) - 1), self._cut.high), 1.0)
            end = np.where(closed, end, np.maximum(end - 1, start + 1))  # an open cycle ends at its last sample
        number = self._closed + np.cumsum(closed)
        self._closed = int(number[-1]) if len(events) else self._closed
        samples = events[:, 1] - events[:, 0]
        return Pieces(signals, first, end, start_part, end_part, closed, number, events[:, 3], samples)


def _part(trigger: NDArray[np.float64], at: NDArray[np.int64], level: float) -> NDArray[np.float64]:
    return crossing_part(trigger[at - 1].astype(np.float64), trigger[at].astype(np.float64), level)


def _no_signals() -> Signals:
    nothing = np.empty(0)
    return Signals(np.empty(0, np.int64), nothing, nothing, nothing, nothing)


def _records(
    time_us: NDArray[np.int64], first: int, break_us: int, state: ScanState
) -> tuple[NDArray[np.int64], ScanState]:
    """Each stretch without a gap is one cycle."""
    if not time_us.size:
        return np.empty((0, 4), np.int64), state
    if not state.open:
        state = state._replace(open=True, start=0)
    breaks = np.flatnonzero(np.diff(time_us, prepend=time_us[:1]) > break_us)
    bounds = [state.start, *breaks[breaks >= first].tolist()]
    events = [[a, b, CLOSED, state.segment + i] for i, (a, b) in enumerate(zip(bounds, bounds[1:], strict=False))]
    state = state._replace(start=bounds[-1], segment=state.segment + len(events))
    return np.array(events, np.int64).reshape(-1, 4), state
