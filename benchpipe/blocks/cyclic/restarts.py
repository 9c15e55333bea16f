"""Shifts of a signal's zero where a rig was restarted: a new tare, or a sensor that slipped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.blocks.cyclic.running import EdgeRow, Shift, ShiftSums

CYCLES = 20  # complete cycles looked at on either side
LEAST = 5
LEAST_PART = 0.02  # of the range: a shift that is worth a remark
SIGMAS = 5.0
MAD_TO_SD = 1.4826
SIGNALS = {"load": ("peak_load", "valley_load"), "motion": ("motion_max", "motion_min")}


@dataclass(frozen=True)
class ShiftResult:
    """A shift of the zero at the beginning of a segment: peak and valley moved alike, the range stayed.

    ``shift`` is in the unit of the signal, ``of_range`` in parts of the range before; NaN where it stood still there.
    """

    segment: int
    start_us: int
    shift: float
    of_range: float


def zero_shifts(
    start_us: ArrayLike,
    segment: ArrayLike,
    complete: ArrayLike,
    high: ArrayLike,
    low: ArrayLike,
    *,
    least_part: float = LEAST_PART,
) -> tuple[ShiftResult, ...]:
    """Find shifts of the zero between neighbouring segments.

    Medians over the last and first :data:`CYCLES` complete cycles are compared: the middle must
    have moved by more than :data:`SIGMAS` of its scatter and ``least_part`` of the range, and
    the range by less than a quarter of that.

    Parameters
    ----------
    start_us, segment : array_like of int, shape (n,)
    complete : array_like of bool, shape (n,)
    high, low : array_like of float, shape (n,)
        Largest and smallest value of the signal in each cycle.
    least_part : float
        Smaller shifts are none; by default those that are not worth a remark.
    """
    good = np.asarray(complete, bool)
    where = np.asarray(segment)[good]
    stretches = [(a, b) for a, b in _stretches(where) if b - a >= LEAST]
    if len(stretches) < 2:
        return ()
    start, top, bottom = (np.asarray(v)[good] for v in (start_us, high, low))
    found = []
    for (a, b), (c, d) in pairwise(stretches):
        sides = slice(max(a, b - CYCLES), b), slice(c, min(d, c + CYCLES))
        ends = [(np.asarray(top[s], np.float64), np.asarray(bottom[s], np.float64)) for s in sides]
        middle = [_middle(0.5 * (high_ + low_)) for high_, low_ in ends]
        span = [float(np.median(high_ - low_)) for high_, low_ in ends]
        shift = middle[1][0] - middle[0][0]
        least = max(SIGMAS * float(np.hypot(middle[0][1], middle[1][1])), least_part * span[0])
        if abs(shift) > least and abs(span[1] - span[0]) < 0.25 * abs(shift):
            found.append(ShiftResult(int(where[c]), int(start[c]), shift, shift / span[0] if span[0] else np.nan))
    return tuple(found)


def _middle(values: NDArray[np.float64]) -> tuple[float, float]:
    """Median and its standard error."""
    median = float(np.median(values))
    return median, MAD_TO_SD * float(np.median(np.abs(values - median))) / float(np.sqrt(values.size))


def _stretches(segment: NDArray[Any]) -> list[tuple[int, int]]:
    """First place, and the one after the last, of each stretch of one segment."""
    if not segment.size:
        return []
    edges = np.concatenate(([0], np.flatnonzero(segment[1:] != segment[:-1]) + 1, [segment.size]))
    return list(pairwise(edges.tolist()))


def shifts_then(sums: ShiftSums, get: Mapping[str, NDArray[Any]]) -> ShiftSums:
    """Shifts of the zero that go on with the next rows of a cycles table.

    Parameters
    ----------
    sums : ShiftSums
        Of all rows before.
    get : mapping of arrays, shape (n,)
        Columns ``complete``, ``segment``, and the extremes of load and motion.
    """
    good = np.asarray(get["complete"], bool)
    if not good.any():
        return sums
    rows = {
        name: np.concatenate((values, np.asarray(get[name])[good]))
        for name, values in _kept(sums).items()
    }  # fmt: skip
    segment = rows["segment"]
    stretches = _stretches(segment)
    a, b = stretches[-1]
    final, keep = b - a >= CYCLES, np.arange(max(a, b - CYCLES), b)
    before = [(c, d) for c, d in stretches[:-1] if d - c >= LEAST]
    if not final and before:
        keep = np.concatenate((np.arange(max(before[-1][0], before[-1][1] - CYCLES), before[-1][1]), keep))
    found = {
        name: (*sums.found.get(name, ()), *(one for at, one in some if final or at < a))
        for name, some in _shifts(rows).items()
    }  # fmt: skip
    columns = [[_known(v) for v in rows[name][keep].tolist()] for name in EdgeRow._fields[1:]]
    edges = tuple(map(EdgeRow, segment[keep].tolist(), *columns))
    return ShiftSums({name: some for name, some in found.items() if some}, edges)


def moved_zeros(sums: ShiftSums) -> dict[str, tuple[Shift, ...]]:
    """Shifts of the zero that :func:`zero_shifts` finds in all rows so far, by signal."""
    now = _shifts(_kept(sums))
    return {name: (*sums.found.get(name, ()), *(one for _, one in now[name])) for name in SIGNALS}


def _kept(sums: ShiftSums) -> dict[str, NDArray[Any]]:
    columns = zip(*sums.rows, strict=True) if sums.rows else [()] * len(EdgeRow._fields)
    kinds = [np.int64, *[np.float64] * len(EdgeRow._fields[1:])]
    return {name: np.array(v, kind) for name, v, kind in zip(EdgeRow._fields, columns, kinds, strict=True)}


def _shifts(rows: Mapping[str, NDArray[Any]]) -> dict[str, list[tuple[int, Shift]]]:
    """Shifts by signal, each with the place of its first row."""
    segment = rows["segment"]
    at, all_ = np.arange(segment.size), np.ones(segment.size, bool)
    return {
        name: [
            (one.start_us, Shift(one.segment, one.shift, _known(one.of_range)))
            for one in zero_shifts(at, segment, all_, rows[high], rows[low])
        ]
        for name, (high, low) in SIGNALS.items()
    }


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None
