"""Invented runs for the study of drift: hourly bins of two million cycles, or every cycle of fewer.

All data are invented. One cycle a second for 23.15 days. The air swings by ± 3 to 4 K a day with a second harmonic and
an amplitude of its own each day, beside weather (a first-order process of 1.5 K and three days). The specimen
follows through two lags in a row (up to 90 min and 10 min) by exp(β ΔT), β −0.3 to −0.7 %/K. The figure settles by 1 to
4 % (exponential, stretched exponential or a power), stops for hours one to three times, and has white noise of 0.05 %
an hour beside 0.1 % of slow noise: first order (1 to 12 h) or 1/f. Nothing here is taken from the room.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
DAY_S, HOUR_S, CELL_S = 86400.0, 3600.0, 600.0
CYCLES = 2_000_000
SLOW, WHITE = 0.001, 0.0005
BEGIN_S = 1_750_032_000.0  # a midnight
Wear = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Course:
    """A run in steps of 10 min: time [s], cycles done, specimen's and thermometer's temperature, which run at all."""

    time_s: Floats
    cycle: Floats
    body_k: Floats
    logged_c: Floats
    runs: NDArray[np.bool_]


def course_of(rng: np.random.Generator, cycles: float = CYCLES, stops: bool = True, rate_hz: float = 1.0) -> Course:
    """Draw temperature and stops of a run that begins at a drawn hour of the day."""
    days = cycles / rate_hz / DAY_S
    n = int((days + 2.0) * DAY_S / CELL_S)
    t = BEGIN_S + CELL_S * (int(144 * rng.random()) + np.arange(n) + 0.5)
    warm = 400  # cells before the log begins, so that the specimen has a past
    u = np.concatenate([t[0] - CELL_S * np.arange(warm, 0, -1), t])
    day = ((u - BEGIN_S) // DAY_S + 10).astype(int)
    swing = rng.uniform(3.0, 4.0) * (1 + 0.15 * rng.standard_normal(day.max() + 1))[day]
    angle = 2 * np.pi * u / DAY_S + 2 * np.pi * rng.random()
    weather = first_order(u.size, 3 * DAY_S / CELL_S, rng) * 1.5
    air = swing * (np.sin(angle) + 0.2 * np.sin(2 * angle + 1.0)) + weather
    body = air
    for lag in (rng.uniform(0.0, 5400.0), rng.uniform(0.0, 600.0)):
        keep = np.exp(-CELL_S / max(lag, 1e-3))
        body = lfilter([1 - keep], [1, -keep], body, zi=[keep * body[0]])[0]
    air, body = air[warm:], body[warm:]
    runs = np.ones(n, bool)
    if stops:
        for _ in range(rng.integers(1, 4)):
            at = int(rng.uniform(0.05, 0.95) * n)
            runs[at : at + int(rng.uniform(1, 6) * HOUR_S / CELL_S)] = False
    cycle = np.cumsum(runs) * CELL_S * rate_hz
    keep_cells = cycle <= cycles
    logged = 23 + air + 0.02 * rng.standard_normal(n)
    return Course(t[keep_cells], cycle[keep_cells], body[keep_cells], logged[keep_cells], runs[keep_cells])


def first_order(n: int, tau: float, rng: np.random.Generator) -> Floats:
    """First-order noise of unit variance and correlation time ``tau`` steps."""
    rho = np.exp(-1 / tau)
    e = rng.standard_normal(n)
    e[1:] *= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], e))


def flicker(n: int, rng: np.random.Generator) -> Floats:
    """1/f noise of unit variance over the run, by its spectrum from one turn in four runs on."""
    m = 4 * n
    f = np.fft.rfftfreq(m)
    f[0] = np.inf
    made = np.fft.irfft((rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)) / np.sqrt(f), m)
    return np.asarray(made[:n] / made.std())


def run_in(rng: np.random.Generator) -> Wear:
    """Settling by 1 to 4 %, mostly falling, whose law is drawn."""
    size = rng.uniform(0.01, 0.04) * (1 if rng.random() < 0.8 else -1)
    kind = rng.integers(3)
    if kind == 0:
        c0 = np.exp(rng.uniform(np.log(5e3), np.log(6e4)))
        return lambda c: size * np.exp(-c / c0)
    if kind == 1:
        c0 = np.exp(rng.uniform(np.log(2e3), np.log(2e4)))
        return lambda c: size / (1 + c / c0)
    c0 = np.exp(rng.uniform(np.log(5e3), np.log(4e4)))
    return lambda c: size * np.exp(-((c / c0) ** 0.6))


def no_wear(c: Floats) -> Floats:
    """Nothing wears."""
    return 0.0 * c


def step(at: float, size: float) -> Wear:
    """A screw comes loose."""
    return lambda c: size * (c >= at)


def slope(at: float, per_million: float) -> Wear:
    """A seal begins to wear."""
    return lambda c: per_million * np.maximum(c - at, 0.0) / 1e6


WEARS = ("power", "exponential", "pieces", "crack")


def wear_to_limit(kind: str, life: float, limit: float, rng: np.random.Generator) -> Wear:
    """Wear that crosses ``limit`` at ``life`` cycles: its shape is drawn."""
    if kind == "power":
        onset, p = life * rng.uniform(0.0, 0.4), rng.uniform(1.0, 3.0)
        return lambda c: limit * (np.maximum(c - onset, 0.0) / (life - onset)) ** p
    if kind == "exponential":
        rate = rng.uniform(1.5, 4.0) / life
        return lambda c: limit * np.expm1(rate * c) / np.expm1(rate * life)
    if kind == "pieces":
        at = np.array([0.0, rng.uniform(0.15, 0.4), rng.uniform(0.5, 0.8), 1.0]) * life
        rates = np.array([0.2, 1.0, rng.uniform(1.0, 2.5)])
        heights = np.concatenate([[0.0], np.cumsum(np.diff(at) * rates)])
        last = rates[-1]
        return lambda c: limit / heights[-1] * (np.interp(c, at, heights) + last * np.maximum(c - at[-1], 0.0))
    return crack(life, limit, rng)


def crack(life: float, limit: float, rng: np.random.Generator) -> Wear:
    """Stiffness lost to a crack that grows by Paris's law with a finite-width factor, integrated step by step.

    da/dN ~ (√(a sec(πa/2)))^m, a in widths from 0.02 to 0.05 on, m 2.5 to 3.5; the loss goes with a². The growth is
    scaled so that the limit is met at ``life``, at a drawn crack of 0.3 to 0.7 of the width.
    """
    m, begin, end = rng.uniform(2.5, 3.5), rng.uniform(0.02, 0.05), rng.uniform(0.3, 0.7)
    a = np.geomspace(begin, 0.97, 4000)
    rate = (a / np.cos(np.pi * a / 2)) ** (m / 2)
    cycles = np.concatenate([[0.0], np.cumsum(np.diff(a) * (1 / rate[1:] + 1 / rate[:-1]) / 2)])
    cycles *= life / np.interp(end, a, cycles)
    loss = (a**2 - begin**2) / (end**2 - begin**2)
    return lambda c: limit * np.interp(c, cycles, loss)


@dataclass(frozen=True)
class Hours:
    """What the room takes in: hourly bins of some measures, and temperature in cells."""

    start_s: Floats
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    count: Floats
    mean: Floats
    cell_s: Floats
    cell_c: Floats
    level: Floats
    """Run-in and wear of each measure, (q, k): what its mean is without temperature and noise."""


def hours_of(
    wears: list[Wear],
    rng: np.random.Generator,
    *,
    noise: str = "AR",
    cycles: float = CYCLES,
    slow: float = SLOW,
    white: float = WHITE,
    rate_hz: float = 1.0,
) -> Hours:
    """Hourly means of measures that wear as given, each with a run-in, coefficient and noise of its own."""
    course = course_of(rng, cycles, rate_hz=rate_hz)
    hour = ((course.time_s - BEGIN_S) // HOUR_S).astype(np.int64)
    used = np.unique(hour[course.runs])
    place = np.searchsorted(used, hour[course.runs])
    count = np.bincount(place).astype(float)
    cycle = course.cycle[course.runs]
    n_cells = course.time_s.size
    means, truths = [], []
    for wear in wears:
        beta = rng.uniform(-0.007, -0.003)
        settled, worn = run_in(rng)(cycle), wear(cycle)
        x = flicker(n_cells, rng) if noise == "1/f" else first_order(n_cells, rng.uniform(6, 72), rng)
        value = (1 + settled + worn) * np.exp(beta * course.body_k[course.runs]) + slow * x[course.runs]
        value = value + white * np.sqrt(HOUR_S / CELL_S) * rng.standard_normal(value.size)
        means.append(50 * np.bincount(place, value) / count)
        truths.append(np.bincount(place, settled + worn) / count)
    per_cell = CELL_S * rate_hz
    first = np.bincount(place, cycle) / count - count * per_cell / 2 + 1
    first = np.round(first).astype(np.int64)
    return Hours(
        BEGIN_S + used * HOUR_S, first, first + (count * per_cell).astype(np.int64) - 1, count * per_cell,
        np.array(means), course.time_s, course.logged_c, np.array(truths),
    )  # fmt: skip
