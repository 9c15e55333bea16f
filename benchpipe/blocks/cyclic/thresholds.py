"""Learn where to cut cycles from the data, where the plan gives neither targets nor thresholds.

The rule uses the samples of the block alone, in the order in which they were taken, in
windows of :data:`WINDOW_CYCLES` nominal cycles, counted in samples from the first one. The first
window that shows the plan's cycling gives the thresholds, which then stay: whatever comes later,
and however the log is cut, they are the same. While no whole window does, what there is of the
last one is tried, and the block is rebuilt when more comes.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.cutting import NEVER_US
from benchpipe.blocks.cyclic.state import Thresholds
from benchpipe.kernels.boundaries import CLOSED, FRESH, find_boundaries
from benchpipe.samples.signals import Signals

WINDOW_CYCLES = 30
LEAST_CYCLES = 3  # a shorter piece shows no cycling
ENDS = (0.005, 0.995)  # of a window's samples lie between the ends of its range: a few wild ones do not set it
LOW_PART, HIGH_PART = 0.32, 0.68
BOUNDARIES = (0.5, 1.5)  # that cycling has, as parts of what the plan's frequency says
TRIAL_PART, SAFE_PART = 0.58, 0.62  # of the range: peaks are looked for from there; those below need no care
PEAKS = (1.25, 2.5)  # a cycle, where some are lower
HIGHER = (0.8, 1.2)  # a cycle: the higher peaks
LEAST_APART = 0.05  # of the range: between lower and higher peaks
LEAST_BELONGING = 0.3  # lag-one autocorrelation: neighbours of a wave belong together, of noise they do not
Floats = NDArray[np.float64]


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
    cycles, span = len(values) / per_cycle, top - bottom
    low = bottom + LOW_PART * span
    between = _between_peaks(values, low, bottom, span, cycles)
    high = bottom + HIGH_PART * span if between is None else between
    starts = _starts(values, low, high)
    return (low, high) if BOUNDARIES[0] * cycles <= len(starts) + 1 <= BOUNDARIES[1] * cycles + 2 else None


def _starts(values: Floats, low: float, high: float) -> NDArray[np.int64]:
    """First samples of the closed cycles, and where the last of them ends."""
    time_us = np.arange(len(values), dtype=np.int64)
    events, _ = find_boundaries(time_us, values, 0, low, high, NEVER_US, NEVER_US, FRESH)
    events = events[events[:, 2] == CLOSED]
    return np.append(events[:, 0], events[-1:, 1])


def _between_peaks(values: Floats, low: float, bottom: float, span: float, cycles: float) -> float | None:
    """Half way between the lower and the higher peaks of a load with two a cycle (heel, then toe).

    None where there are no lower ones, where they stay well below the usual threshold, or where the two are not apart.
    """
    starts = _starts(values, low, bottom + TRIAL_PART * span)
    if not PEAKS[0] * cycles < len(starts) < PEAKS[1] * cycles:
        return None
    peaks = np.sort(np.maximum.reduceat(values[: starts[-1]], starts[:-1]))
    most, least = (max(len(peaks) - round(part * cycles), 1) for part in HIGHER)
    gaps = np.diff(peaks[least - 1 : most + 1])
    if not gaps.size or gaps.max() < LEAST_APART * span:
        return None
    at = least - 1 + int(gaps.argmax())
    return 0.5 * float(peaks[at] + peaks[at + 1]) if peaks[at] > bottom + SAFE_PART * span else None


def _belonging(values: Floats) -> float:
    """Lag-one autocorrelation, by the mean square of the steps over twice the variance (von Neumann)."""
    variance = float(np.var(values))
    return 1.0 - float(np.mean(np.diff(values) ** 2)) / (2.0 * variance) if variance > 0.0 else 0.0
