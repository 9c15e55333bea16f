"""Holds drawn at random, with known creep and noise. Shares no code with the package.

All data are invented. Amplitudes, time constants and exponents are drawn anew for each hold, so that a
coverage is one over a population of joints and not of a single one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

Floats = np.ndarray
HOUR = 3600.0
STEP = 0.01
RAMP_S = 2.0

IN_TABLE = ("none", "leak", "log time", "Kelvin", "power", "Burgers")
NEW_IN_TABLE = ("log offset", "stretched", "two Kelvin")
OUTSIDE = ("power + log", "log offset + leak", "two Kelvin + leak", "stretched + leak")
LAWS = IN_TABLE + NEW_IN_TABLE + OUTSIDE
NOISES = ("white", "AR 0.9", "1/f + white", "0.01 deg steps")


def law(name: str, rng: np.random.Generator, length: float) -> Callable[[Floats], Floats]:
    """A creep [deg] over time since full load [s]; time constants go with the length of the hold."""
    per_decade, size, leak = rng.uniform(0.02, 0.08), rng.uniform(0.03, 0.2), rng.uniform(0.05, 0.4) / HOUR
    offset = np.exp(rng.uniform(np.log(0.3 * RAMP_S), np.log(10 * RAMP_S)))
    tau = length * np.exp(rng.uniform(np.log(1 / 60), np.log(1 / 4)))
    late = length * np.exp(rng.uniform(np.log(0.3), np.log(0.6)))
    early = length * np.exp(rng.uniform(np.log(1 / 80), np.log(1 / 40)))
    beta, exponent = rng.uniform(0.3, 0.7), rng.uniform(0.15, 0.35)
    tiny = 1e-9

    def settle(t: Floats, at: float) -> Floats:
        return 1 - np.exp(-t / at)

    shapes: dict[str, Callable[[Floats], Floats]] = {
        "none": lambda t: 0 * t,
        "leak": lambda t: leak * t,
        "log time": lambda t: per_decade * np.log10(t + tiny),
        "power": lambda t: 0.3 * per_decade * t**exponent,
        "Kelvin": lambda t: size * settle(t, tau),
        "Burgers": lambda t: size * settle(t, tau) + leak * t,
        "log offset": lambda t: per_decade * np.log10(1 + t / offset),
        "stretched": lambda t: size * (1 - np.exp(-((t / tau) ** beta))),
        "two Kelvin": lambda t: size * (settle(t, early) + settle(t, late)) / 2,
        "power + log": lambda t: 0.15 * per_decade * t**exponent + per_decade / 2 * np.log10(1 + t / offset),
        "log offset + leak": lambda t: per_decade * np.log10(1 + t / offset) + leak * t,
        "two Kelvin + leak": lambda t: size * (settle(t, early) + settle(t, late)) / 2 + leak * t,
        "stretched + leak": lambda t: size * (1 - np.exp(-((t / tau) ** beta))) + leak * t,
    }
    return shapes[name]


def noise(name: str, rng: np.random.Generator, n: int) -> Floats:
    """Noise of n readings [deg]."""
    white = rng.standard_normal(n)
    if name == "white":
        return 0.003 * white
    if name == "AR 0.9":  # beside an equal part of white noise
        phi, drive = 0.9, rng.standard_normal(n)
        drive[1:] *= np.sqrt(1 - phi**2)
        return 0.002 * (lfilter([1.0], [1.0, -phi], drive) + white)
    if name == "1/f + white":
        f = np.fft.rfftfreq(2 * n)
        f[0] = f[1]
        pair = rng.standard_normal((2, f.size))
        spectrum = (pair[0] + 1j * pair[1]) / np.sqrt(f)
        spectrum[0] = 0
        slow = np.fft.irfft(spectrum)[:n]
        return 0.003 * (slow - slow.mean()) / slow.std() + 0.001 * white
    return 0.002 * white  # of a channel with steps


@dataclass(frozen=True, eq=False)
class DrawnHold:
    """Readings of a hold from full load on, and its true creep as a function of time [s]."""

    time_s: Floats
    motion: Floats
    truth: Callable[[Floats], Floats]
    leak: float


def drawn(
    name: str, noisy: str, rng: np.random.Generator, length: float, rate_hz: float, size: float = 1.0
) -> DrawnHold:
    """One hold of a law with a noise; ``size`` scales its creep."""
    t = np.arange(0.0, length + 0.5 / rate_hz, 1 / rate_hz)
    whole = law(name, rng, length)

    def truth(at: Floats) -> Floats:
        return size * whole(np.asarray(at, float))

    start = np.where(t > 0, t, t[1] / 2)
    y = truth(start) + noise(noisy, rng, t.size)
    if noisy == "0.01 deg steps":
        y = STEP * np.round(y / STEP + rng.uniform())
    far = np.array([1e9, 2e9])
    leak = float(np.diff(truth(far))[0] / 1e9) if "leak" in name or name == "Burgers" else 0.0
    return DrawnHold(t, y, truth, leak)
