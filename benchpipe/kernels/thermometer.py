"""Can a logged temperature be trusted: missing, stuck or jumped readings, and its noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.history_bins import history_gaps

Floats = NDArray[np.float64]
Readings = NDArray[np.floating]

MOST_MISSING = 0.2
"""Part of the cycles, or of a window's, that may be without a temperature (of a window: half)."""
LONGEST_HOLE = 0.1
"""Part of the history that one hole without temperature may last."""
STUCK_PART = 0.1
"""A stay at one reading is looked at from this part of the history on."""
STUCK_NEIGHBOURS = 0.05
"""A temperature that turns slows down first: stays beside a long one are at least this part of it."""
STILL_S = 3600.0
"""A log of one single reading is suspect from this length on."""
LEAST_JUMP_K = 1.0
JUMP_NOISE = 8.0
AROUND = 20
"""Cycles on either side of a jump whose medians must differ too."""
LEAST_BESIDE = 5
"""Fewer cycles than that on a side show no jump."""


@dataclass(frozen=True)
class ThermometerResult:
    """What is wrong with a thermometer, and what its readings are worth.

    ``fault`` is empty where nothing is wrong. ``noise_k`` is the standard deviation of a reading,
    ``step_k`` its last digit (0 where there is none). ``jumps`` are indices of the cycles that begin a jump.
    """

    fault: str
    noise_k: float
    step_k: float
    jumps: tuple[int, ...]

    def mean_u(self, n: int) -> float:
        """Standard uncertainty of a mean of n readings [K]: noise that averages, and a digit that may not."""
        digit = self.step_k**2 / 12 if self.noise_k < self.step_k / 2 else 0.0
        return float(np.sqrt(self.noise_k**2 / max(n, 1) + digit))


def thermometer_faults(
    time_s: Floats, temperature_c: Readings, base: tuple[int, int], window: tuple[int, int]
) -> ThermometerResult:
    """Look for readings that are missing, stuck or jump.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Increasing times of the cycles [s].
    temperature_c : ndarray, shape (n,)
        degC, NaN where missing.
    base, window : tuple of int
        First and last index of the windows that are compared.

    Returns
    -------
    ThermometerResult
        The first fault found, missing readings before stuck ones; noise and step in K.
    """
    good = np.isfinite(temperature_c)
    noise, step = _noise(temperature_c)
    missing = _missing(time_s, good, base, window)
    if missing:
        return ThermometerResult(missing, noise, step, ())
    t, x = (time_s, temperature_c) if good.all() else (time_s[good], temperature_c[good])
    stuck = _stuck(t, x)
    jumps = _jumps(t, x, noise)
    index = np.arange(time_s.size) if good.all() else np.flatnonzero(good)
    return ThermometerResult(stuck, noise, step, tuple(int(index[j]) for j in jumps))


def _noise(temperature_c: Readings) -> tuple[float, float]:
    """Standard deviation of a reading from differences of neighbours without the largest 1 %, and the last digit."""
    parts = temperature_c[: 1 << 17].astype(np.float64)
    steps = np.abs(np.diff(parts))
    steps = steps[np.isfinite(steps)]
    if not steps.size:
        return 0.0, 0.0
    kept = np.minimum(steps, np.quantile(steps, 0.99))
    noise = float(np.sqrt(np.mean(kept**2) / 2))
    moved = steps[steps > 0]
    # A digit is found where most neighbours read the same: single precision alone makes no two readings equal.
    step = float(moved.min()) if moved.size and moved.size < 0.7 * steps.size else 0.0
    return noise, step


def _missing(time_s: Floats, good: NDArray[np.bool_], base: tuple[int, int], window: tuple[int, int]) -> str:
    if good.all():
        return ""
    lost = int(good.size - good.sum())
    if lost > MOST_MISSING * good.size:
        return f"the temperature is missing in {lost:,} of {good.size:,} cycles"
    for name, (first, last) in (("baseline", base), ("window", window)):
        n, there = last - first + 1, int(good[first : last + 1].sum())
        if there * 2 < n:
            return f"the temperature is missing in {n - there:,} of the {n:,} cycles of the {name}"
    known = time_s[good]
    ends = np.concatenate([[time_s[0]], known, [time_s[-1]]])
    # Time in which the rig stood is no hole of the thermometer's.
    running = np.diff(time_s)
    gaps = history_gaps(time_s) - 1
    running = running.copy()
    running[gaps] = 0.0
    elapsed = np.concatenate([[0.0], np.cumsum(running)])
    holes = np.diff(np.interp(ends, time_s, elapsed))
    if holes.max() > LONGEST_HOLE * elapsed[-1]:
        return f"the temperature is missing for {holes.max():,.0f} s on end"
    return ""


def _stuck(t: Floats, x: Readings) -> str:
    """One reading for long, entered and left without slowing down."""
    changes = np.flatnonzero(np.diff(x) != 0) + 1
    span = float(t[-1] - t[0])
    if not changes.size:
        if span > STILL_S:
            return f"the thermometer read {float(x[0]):.4g} degC in every cycle: it may be dead"
        return ""
    edges = np.concatenate([[0], changes, [x.size]])
    stays = np.diff(edges)
    k = int(np.argmax(stays))
    if stays[k] < max(STUCK_PART * x.size, 20):
        return ""
    near = np.concatenate([stays[max(0, k - 5) : k], stays[k + 1 : k + 6]])
    if near.max() >= STUCK_NEIGHBOURS * stays[k]:
        return ""
    first, last = int(edges[k]), int(edges[k + 1]) - 1
    return f"the thermometer stuck at {float(x[first]):.4g} degC for {float(t[last] - t[first]):,.0f} s"


def _jumps(t: Floats, x: Readings, noise: float) -> list[int]:
    """Cycles from which on the reading is another, with no gap in time before them."""
    least = max(LEAST_JUMP_K, JUMP_NOISE * noise)
    found = np.flatnonzero(np.abs(np.diff(x)) > least) + 1
    if not found.size:
        return []
    gaps = set(history_gaps(t).tolist())
    jumps: list[int] = []
    for i in found.tolist()[:1000]:
        if i in gaps or i < LEAST_BESIDE or x.size - i < LEAST_BESIDE:
            continue
        before, after = np.median(x[max(0, i - AROUND) : i]), np.median(x[i : i + AROUND])
        if abs(float(after) - float(before)) > least:
            jumps.append(i)
    return jumps
