"""Scales of an axis, linear and logarithmic, and their ticks."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.report.signs import number

NEARLY = 0.75  # of the step that would give so many ticks: rather one more than one less
ROOM = 0.06  # of the range, left free at both ends


@dataclass(frozen=True)
class Scale:
    """Values from ``low`` to ``high`` → places from ``start`` to ``end``."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def at(self, values: ArrayLike) -> NDArray[np.float64]:
        """Places of values; NaN for one that a logarithm has not."""
        x, low, high = np.asarray(values, float), self.low, self.high
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                x = np.where(x > 0.0, np.log10(x), np.nan)
            low, high = math.log10(low), math.log10(high)
        return np.asarray(self.start + (x - low) / (high - low) * (self.end - self.start))

    def place(self, value: float) -> float:
        """Place of one value."""
        return float(self.at([value])[0])

    def inside(self, value: float) -> bool:
        """Whether a value lies on the axis."""
        return self.low <= value <= self.high

    def ticks(self, about: int) -> list[float]:
        """Values that get a mark: 1, 2 or 5 times a power of ten; about so many."""
        return log_ticks(self.low, self.high) if self.log else linear_ticks(self.low, self.high, about)


def linear_ticks(low: float, high: float, about: int) -> list[float]:
    """Multiples of 1, 2 or 5 times a power of ten from ``low`` to ``high``."""
    step = tick_step(low, high, about)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{k * step:.12g}") for k in range(first, last + 1)]


def tick_step(low: float, high: float, about: int) -> float:
    """Step of about so many ticks."""
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    return power * next(k for k in (1.0, 2.0, 5.0, 10.0) if k * power >= NEARLY * raw)


def log_ticks(low: float, high: float) -> list[float]:
    """Powers of ten; with 2 and 5 between where there are less than three of them."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    tens = [10.0**k for k in range(first, last + 1)]
    fine = [k * ten for ten in tens for k in (1.0, 2.0, 5.0)]
    inside = [t for t in tens if low * (1 - 1e-9) <= t <= high * (1 + 1e-9)]
    return inside if len(inside) > 2 else [t for t in fine if low * (1 - 1e-9) <= t <= high * (1 + 1e-9)]


def tick_texts(ticks: list[float]) -> list[str]:
    """Texts of ticks, with as many decimals as their step needs."""
    if len(ticks) < 2:
        return [number(tick) for tick in ticks]
    step = min(b - a for a, b in pairwise(ticks))
    largest = max(map(abs, ticks))
    if largest >= 1e9 or largest < 1e-4:
        return [f"{tick:.3g}" for tick in ticks]
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    if places <= 6 and step / largest > 1e-6 and largest / step < 1e4:
        return [f"{tick:,.{places}f}" if abs(tick) > 1e-9 * step else "0" for tick in ticks]
    return [f"{tick:,.6g}" for tick in ticks]


def linear_scale(values: Iterable[ArrayLike], start: float, end: float, *, least: float = 0.0, room: float = ROOM) -> (
    Scale
):  # fmt: skip
    """A linear scale about all finite values.

    Parameters
    ----------
    least : float
        Range that it has at least, so that noise does not look like a change.
    room : float
        Part of the range left free at both ends.
    """
    arrays = [np.ravel(np.asarray(some, float)) for some in values]
    every = np.concatenate([some[np.isfinite(some)] for some in arrays] or [np.empty(0)])
    low, high = (float(every.min()), float(every.max())) if every.size else (0.0, 1.0)
    span = max(high - low, least, 1e-9 * max(abs(low), abs(high)))
    if span <= 0.0:
        span = 1.0
    middle = 0.5 * (low + high)
    half = 0.5 * span * (1.0 + 2.0 * room)
    return Scale(middle - half, middle + half, start, end)


def log_scale(values: Iterable[ArrayLike], start: float, end: float) -> Scale:
    """A logarithmic scale about all values above zero."""
    arrays = [np.ravel(np.asarray(some, float)) for some in values]
    every = np.concatenate([some[np.isfinite(some) & (some > 0.0)] for some in arrays] or [np.empty(0)])
    low, high = (float(every.min()), float(every.max())) if every.size else (1.0, 10.0)
    if high <= low:
        low, high = low / 2.0, high * 2.0
    return Scale(low / 1.1, high * 1.1, start, end, log=True)
