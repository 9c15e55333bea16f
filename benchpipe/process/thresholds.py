"""Learn where to cut cycles from the data, where the plan gives neither targets nor thresholds.

A rule on the samples of the block alone, in the order they were taken: they are looked at in
windows of :data:`WINDOW_CYCLES` nominal cycles, counted in samples from the first one. The first
window that shows the plan's cycling gives the thresholds, which then stay: whatever comes later,
and however the log is cut, they are the same. While no whole window does, what there is of the
last one is tried, and the block is made anew when more comes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.boundaries import CLOSED, FRESH, find_boundaries
from benchpipe.process.signals import Signals

WINDOW_CYCLES = 30
LEAST_CYCLES = 3  # a shorter piece shows no cycling
ENDS = (0.005, 0.995)  # of a window's samples lie between the ends of its range: a few wild ones do not set it
LOW_PART, HIGH_PART = 0.32, 0.68
BOUNDARIES = (0.5, 1.5)  # that cycling has, as parts of what the plan's frequency says
TWICE = (1.5, 2.5)  # of one with two peaks a cycle
LEAST_BELONGING = 0.3  # lag-one autocorrelation: neighbours of a wave belong together, of noise they do not
NEVER_US = 2**62
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Thresholds:
    """Where cycles are cut.

    Attributes
    ----------
    low, high : float
        In the signal's unit.
    first, last : int
        Samples of the block that they were learnt from, counted from 1.
    settled : bool
        More samples do not change them.
    """

    low: float
    high: float
    first: int
    last: int
    settled: bool


def learn_thresholds(pieces: Iterable[Signals], *, by_load: bool, per_cycle: float) -> Thresholds | None:
    """Learn the thresholds of a block.

    Parameters
    ----------
    pieces : iterable of Signals
        The block's samples in order; no more of them are taken than are needed.
    by_load : bool
        Cut by load, else by motion.
    per_cycle : float
        Samples a cycle, by the plan's frequency and the rig's rate.

    Returns
    -------
    Thresholds or None
        None where nothing cycles.
    """
    size = max(round(WINDOW_CYCLES * per_cycle), 1)
    held: list[NDArray[Any]] = []
    count, done = 0, 0
    for piece in pieces:
        held.append(np.asarray(piece.load if by_load else piece.motion))
        count += len(piece)
        if count < size:
            continue
        values = np.concatenate(held)
        while len(values) >= size:
            found = _levels(values[:size].astype(np.float64), per_cycle)
            if found is not None:
                return Thresholds(*found, done + 1, done + size, True)
            values, done = values[size:], done + size
        held, count = [values], len(values)
    rest = np.concatenate(held).astype(np.float64) if held else np.empty(0)
    found = _levels(rest, per_cycle) if len(rest) >= LEAST_CYCLES * per_cycle else None
    return Thresholds(*found, done + 1, done + len(rest), False) if found else None


def _levels(values: Floats, per_cycle: float) -> tuple[float, float] | None:
    """Low and high of one window; None where it does not cycle at about the plan's frequency."""
    bottom, top = (float(end) for end in np.quantile(values, ENDS))
    if not bottom < top or _belonging(values) < LEAST_BELONGING:
        return None
    low, high = bottom + LOW_PART * (top - bottom), bottom + HIGH_PART * (top - bottom)
    cycles = len(values) / per_cycle
    starts = _starts(values, low, high)
    if len(starts) > TWICE[0] * cycles and len(starts) < TWICE[1] * cycles:
        high = _between_peaks(values, starts) or high
        starts = _starts(values, low, high)
    return (low, high) if BOUNDARIES[0] * cycles <= len(starts) + 1 <= BOUNDARIES[1] * cycles + 2 else None


def _starts(values: Floats, low: float, high: float) -> NDArray[np.int64]:
    """First samples of the closed cycles, and where the last of them ends."""
    time_us = np.arange(len(values), dtype=np.int64)
    events, _ = find_boundaries(time_us, values, 0, low, high, NEVER_US, NEVER_US, FRESH)
    events = events[events[:, 2] == CLOSED]
    return np.append(events[:, 0], events[-1:, 1])


def _between_peaks(values: Floats, starts: NDArray[np.int64]) -> float | None:
    """Half way between the lower and the higher peaks of a load that has both in turn (heel, then toe)."""
    peaks = np.maximum.reduceat(values, starts[:-1])
    lower, higher = sorted((peaks[::2], peaks[1::2]), key=np.median)
    apart = np.quantile(higher, 0.1) - np.quantile(lower, 0.9)
    return float(0.5 * (np.median(lower) + np.median(higher))) if apart > 0.0 else None


def _belonging(values: Floats) -> float:
    """Lag-one autocorrelation, by the mean square of the steps over twice the variance (von Neumann)."""
    variance = float(np.var(values))
    return 1.0 - float(np.mean(np.diff(values) ** 2)) / (2.0 * variance) if variance > 0.0 else 0.0
