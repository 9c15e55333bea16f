"""Cycles and loops of arrays that a notebook holds, by the kernels that every night uses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.boundaries import BETWEEN, FRESH, bounds_of, find_boundaries
from benchpipe.kernels.creep_fit import fit_creep
from benchpipe.kernels.loops import FIELDS
from benchpipe.kernels.loops import measure_loops as measured

__all__ = ["Cycles", "find_cycles", "fit_creep", "measure_loops"]
Floats = NDArray[np.float64]
US = 1e6


@dataclass(frozen=True)
class Cycles:
    """Cycles of a signal.

    Attributes
    ----------
    start, end : int64 arrays, shape (k,)
        A cycle has the samples ``start … end - 1``.
    start_part, end_part : float64 arrays, shape (k,)
        Where in the steps to ``start`` and to ``end`` the upper threshold was crossed (0 to 1).
    closed : bool array, shape (k,)
        Both ends were crossed; an incomplete cycle has no loop measures that mean anything.
    segment : int64 array, shape (k,)
        Number of the stretch between gaps, from 1.
    """

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    start_part: Floats
    end_part: Floats
    closed: NDArray[np.bool_]
    segment: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.start)


def find_cycles(
    time_s: ArrayLike, signal: ArrayLike, *, low: float, high: float, gap_s: float = np.inf, longest_s: float = np.inf
) -> Cycles:
    """Find cycles: each begins where the signal, having been below ``low``, rises through ``high``.

    Parameters
    ----------
    time_s : array_like, shape (n,), s
        Rising; rounded to a microsecond.
    signal : array_like, shape (n,)
        Load or motion; finite.
    low, high : float
        Thresholds in the signal's unit.
    gap_s : float
        A longer step between samples ends a cycle as incomplete.
    longest_s : float
        A cycle that is open for longer ends as incomplete: the rig stopped.

    Raises
    ------
    ValueError
        The arrays differ in length, times fall, a value is not finite, or ``low`` is not below ``high``.
    """
    time_us, trigger = _times(time_s), _values("signal", signal)
    if time_us.size != trigger.size:
        raise ValueError(f"time_s has {time_us.size} values and signal {trigger.size}")
    if not low < high:
        raise ValueError(f"low must be below high: {low} and {high}")
    end = np.iinfo(np.int64).max // 4
    break_us, longest_us = (end if np.isinf(s) else round(US * s) for s in (gap_s, longest_s))
    events, state = find_boundaries(time_us, trigger, 0, low, high, break_us, longest_us, FRESH._replace(fresh=True))
    if time_us.size:  # the row in which the signal ends
        last = [[state.start, time_us.size, state.row, state.segment]]
        events = np.concatenate([events, np.array(last, np.int64)])
    return Cycles(*bounds_of(events[events[:, 2] != BETWEEN], trigger, high))


def measure_loops(
    time_s: ArrayLike, load: ArrayLike, motion: ArrayLike, cycles: Cycles, *, band: tuple[float, float] = (0.2, 0.8)
) -> dict[str, Floats]:
    """Measure the loop of each cycle.

    Parameters
    ----------
    time_s, load, motion : array_like, shape (n,)
        Finite; the units are the caller's.
    cycles : Cycles
        Of these arrays, by :func:`find_cycles`.
    band : tuple of float
        Parts of the load range between which the slopes of both branches are taken.

    Returns
    -------
    dict of float64 arrays, shape (k,)
        By name: ``peak_load``, ``energy`` [load x motion], ``loading_stiffness`` [load / motion] … NaN where a
        cycle does not have the measure.

    Raises
    ------
    ValueError
        The arrays differ in length, times fall, a value is not finite, the cycles are not of these arrays, or the band
        is not two rising parts of 1.
    """
    time_us, loads, motions = _times(time_s), _values("load", load), _values("motion", motion)
    if not time_us.size == loads.size == motions.size:
        raise ValueError(f"time_s, load and motion differ in length: {time_us.size}, {loads.size}, {motions.size}")
    low, high = band
    if not 0.0 <= low < high <= 1.0:
        raise ValueError(f"band must be two rising parts of the load range, from 0 to 1, got {band}")
    places = _places(cycles, time_us.size)
    rows = measured(time_us, loads, motions, np.empty(0), *places, low, high, np.ones(1))
    return {name: np.ascontiguousarray(rows[:, k]) for k, name in enumerate(FIELDS)}


def _places(cycles: Cycles, size: int) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    """Where the cycles are, as the kernel takes them: it looks at no bound itself."""
    start, end = (np.ascontiguousarray(one, np.int64) for one in (cycles.start, cycles.end))
    parts = [np.ascontiguousarray(one, np.float64) for one in (cycles.start_part, cycles.end_part)]
    if any(one.shape != (len(cycles),) for one in (start, end, *parts)):
        raise ValueError(f"start, end, start_part and end_part of the cycles must be one value each of {len(cycles)}")
    outside = np.flatnonzero((start < 0) | (end <= start) | (end > size))
    if outside.size:
        k = int(outside[0])
        raise ValueError(
            f"the cycles are not of these arrays: number {k} has the samples {start[k]:,} to {end[k] - 1:,}, and there "
            f"are {size:,}; find_cycles gives those of an array"
        )
    return start, end, parts[0], parts[1]


def _times(time_s: ArrayLike) -> NDArray[np.int64]:
    times = np.rint(US * _values("time_s", time_s)).astype(np.int64)
    if (np.diff(times) <= 0).any():
        raise ValueError(f"time_s must rise: it does not after value {int(np.argmax(np.diff(times) <= 0))}")
    return times


def _values(name: str, values: ArrayLike) -> Floats:
    array = np.ascontiguousarray(values, np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError(f"{name} must be one row of finite numbers")
    return array
