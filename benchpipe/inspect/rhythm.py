"""How often load and motion cycle, and a glimpse of them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchpipe.inspect.findings import ColumnKey, Glimpse, LogSample, TimeFinding
from benchpipe.units import find_unit

WINDOWS = tuple(1 << k for k in range(7, 18))
LEAST_CYCLES = 4.0  # in a window
LEAST_POWER = 0.5  # of a window's power, at its strongest frequency and its harmonics
LEAST_MOVING = 0.1  # spread of a window that cycles, of the spread of all
ALIKE = 0.1
SHOWN = 64
SHOWN_CYCLES = 5.0
SHOWN_MOVING = 0.8  # spread of what is shown, of the largest

Floats = NDArray[np.float64]


def find_frequency(samples: list[LogSample], key: ColumnKey | None, time: TimeFinding) -> float:
    """Cycle frequency of a column [Hz], as most of the windows that hold some cycles say; NaN if there is none.

    The shortest windows that agree decide, for long ones blur a frequency that is changed during the
    test; longer ones that agree with them make it finer.
    """
    stretches = [values for _, values in _stretches(samples, key, time)] if key is not None else []
    if not stretches or not np.isfinite(time.rate_hz):
        return float("nan")
    spread = float(np.std(np.concatenate(stretches)))
    best = float("nan")
    for width in WINDOWS:
        found, moving = [], 0
        for values in stretches:
            for start in range(0, len(values) - width + 1, width):
                window = values[start : start + width]
                if window.std() >= LEAST_MOVING * spread > 0:
                    moving += 1
                    found += _strongest(window)
        agreed = _agreed(found) if moving and len(found) >= max(min(2, moving), moving / 3) else float("nan")
        if np.isfinite(agreed) and not abs(agreed / best - 1.0) > ALIKE:
            best = agreed
    return float(f"{best * time.rate_hz:.4g}")


def _agreed(found: list[float]) -> float:
    """Mean of the frequencies that are near the middle one, if they are most."""
    middle = float(np.median(found))
    near = [f for f in found if abs(f / middle - 1.0) < ALIKE]
    return float(np.mean(near)) if 2 * len(near) > len(found) else float("nan")


def _strongest(window: Floats) -> list[float]:
    """Frequency [cycles a sample] of a window, if one and its harmonics hold most of its power."""
    n = len(window)
    shape = np.hanning(n)
    centred = (window - window.mean()) * shape
    power = np.abs(np.fft.rfft(centred)) ** 2
    k = int(power[2:].argmax()) + 2
    if k < LEAST_CYCLES or k >= len(power) - 2:
        return []
    near = np.concatenate([power[max(h * k - 3, 1) : h * k + 4] for h in (1, 2, 3)])
    if near.sum() < LEAST_POWER * power[1:].sum():
        return []
    a, b, c = np.log(power[k - 1 : k + 2] + 1e-300)
    bend = a - 2.0 * b + c
    return [(k + (0.5 * (a - c) / bend if bend else 0.0)) / n]


def find_glimpse(
    samples: list[LogSample], load: ColumnKey | None, motion: ColumnKey | None, time: TimeFinding, frequency: float
) -> Glimpse | None:
    """Some cycles of load and motion from amid those that move most; a whole stretch where nothing cycles."""
    keys = [key for key in (load, motion) if key is not None]
    if not keys:
        return None
    stretches = sorted(_stretches(samples, keys[0], time), key=lambda s: -len(s[1]))
    if not stretches:
        return None
    place, values = stretches[0]
    width = len(values)
    if np.isfinite(frequency):
        width = min(width, max(round(SHOWN_CYCLES / frequency * time.rate_hz), 8))
    spreads = {at: float(values[at : at + width].std()) for at in range(0, len(values) - width + 1, width)}
    moving = [at for at, spread in spreads.items() if spread >= SHOWN_MOVING * max(spreads.values())]
    start = moving[len(moving) // 2]
    piece, first = place
    shown = [_shown(piece_values(samples, piece, key), first + start, width) for key in (load, motion)]
    return Glimpse(width / time.rate_hz, *shown)


def piece_values(samples: list[LogSample], number: int, key: ColumnKey | None) -> Floats | None:
    """Values of a column in the piece of that number."""
    pieces = [piece for sample in samples for piece in sample.pieces]
    return None if key is None else pieces[number].values.get(key)


def _shown(values: Floats | None, first: int, width: int) -> tuple[float, ...]:
    if values is None:
        return (float("nan"),) * SHOWN
    part = values[first : first + width]
    return tuple(float(part[min(int((k + 0.5) * len(part) / SHOWN), len(part) - 1)]) for k in range(SHOWN))


def _stretches(samples: list[LogSample], key: ColumnKey, time: TimeFinding) -> list[tuple[tuple[int, int], Floats]]:
    """Evenly sampled stretches of a column, each with its piece and first row there."""
    found = []
    pieces = [piece for sample in samples for piece in sample.pieces]
    for number, piece in enumerate(pieces):
        values = piece.values.get(key)
        if values is None or len(values) < 8:
            continue
        broken = ~np.isfinite(values)
        cuts = np.flatnonzero(broken[1:] != broken[:-1]) + 1
        if time.kind == "datetime" and piece.stamps is not None:
            seconds: Floats | None = piece.stamps.astype(np.float64) * 1e-6
        elif time.column is not None:
            seconds = piece.values[time.column] * find_unit(str(time.keys.get("unit", "s"))).factor
        else:
            seconds = None
        if seconds is not None and np.isfinite(time.rate_hz):
            steps = np.diff(seconds) * time.rate_hz
            least, most = (0.5, 1.5) if not time.coarse_s else (-0.5, 1.5 * time.coarse_s * time.rate_hz)
            cuts = np.union1d(cuts, np.flatnonzero(~((steps > least) & (steps < most))) + 1)
        edges = [0, *cuts.tolist(), len(values)]
        for a, b in pairwise(edges):
            if b - a >= 8 and not broken[a]:
                found.append(((number, a), values[a:b]))
    return found
