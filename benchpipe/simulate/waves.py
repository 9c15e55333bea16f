"""One cycle in closed form: load and motion at any phase, and what the loop truly measures.

**Load control.** Each hump is a haversine in load, ``T = base + A (1 - cos u)``.
Dashpot and spring together lag (time constant tau = c / k1, exact for a linear spring):
``P = base + A - A cos(d) cos(u - d)``, ``tan d = w tau``. Coulomb friction is a play
of half-width F in load, so the spring carries ``S = P -+ F`` after a stick of 2 F at each
reversal, and motion is the spring's inverse of S plus backlash. The loop then loses
``2 F dx`` (dx = motion range) to friction and the integral of ``tau P' dx`` to the dashpot.
With a linear spring and no friction that is pi c w x0^2.

**Motion control.** Motion is the haversine, ``T = g(x) + c x' + F sign x'``: the loop
loses ``pi c w x0^2 + 4 F x0`` exactly (x0 = motion half-range), whatever the spring.

Each constant holds for one cycle and may change from cycle to cycle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled

Floats = NDArray[np.float64]

# Columns of a cycle's constants, and of its truth.
CONSTANTS = ("base", "heel", "peak", "k1", "k3", "tau", "friction", "play", "take_up", "offset")
TRUTH = (
    "peak_load", "valley_load", "motion_at_peak", "motion_at_valley",
    "motion_max", "motion_min", "energy", "secant_stiffness",
)  # fmt: skip
# Their places.
BASE, HEEL, PEAK, K1, K3, TAU, FRICTION, PLAY, TAKE_UP, OFFSET = range(len(CONSTANTS))
(
    PEAK_LOAD, VALLEY_LOAD, MOTION_AT_PEAK, MOTION_AT_VALLEY,
    MOTION_MAX, MOTION_MIN, ENERGY, SECANT_STIFFNESS,
) = range(len(TRUTH))  # fmt: skip
TWO_PI = 2.0 * np.pi
# Gauss-Legendre nodes and weights on (-1, 1)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


@compiled
def deflection(load: float, k1: float, k3: float) -> float:
    """Motion x of the spring ``load = k1 x + k3 x^3`` (Newton: the step after the last would be below 1e-16)."""
    x = load / k1
    if k3 == 0.0:
        return x
    for _ in range(60):
        step = ((k3 * x * x + k1) * x - load) / (3.0 * k3 * x * x + k1)
        x -= step
        if abs(step) <= 1e-8 * abs(x):
            break
    return x


@compiled
def _shape(spring: float, c: Floats) -> float:
    """Motion of spring and backlash under the spring's load."""
    k1, k3, play, take_up = c[K1], c[K3], c[PLAY], c[TAKE_UP]
    x = deflection(spring, k1, k3)
    return x + 0.5 * play * min(1.0, max(-1.0, spring / take_up)) if play > 0.0 else x


@compiled
def _hump(phase: float, split: float, c: Floats) -> tuple[float, float, float]:
    """Angle in the hump, its half-height and its part of the period."""
    phase -= np.floor(phase)
    if phase < split:
        return TWO_PI * phase / split, 0.5 * (c[HEEL] - c[BASE]), split
    return TWO_PI * (phase - split) / (1.0 - split), 0.5 * (c[PEAK] - c[BASE]), 1.0 - split


@compiled
def _wave(phase: float, split: float, c: Floats) -> float:
    angle, half, _ = _hump(phase, split, c)
    return float(c[BASE] + half * (1.0 - np.cos(angle)))


@compiled
def _yielding(phase: float, split: float, f: float, c: Floats) -> float:
    """Motion under load control."""
    angle, half, part = _hump(phase, split, c)
    lag = np.arctan(TWO_PI * f / part * c[TAU])
    size, friction = half * np.cos(lag), c[FRICTION]
    bottom = c[BASE] + half - size + friction
    load = c[BASE] + half - size * np.cos(angle - lag)
    if lag <= angle < np.pi + lag:
        spring = max(bottom, load - friction)
    else:
        spring = min(max(bottom, c[BASE] + half + size - friction), load + friction)
    return float(_shape(spring, c) + c[OFFSET])


@compiled
def _resisting(phase: float, split: float, f: float, c: Floats) -> float:
    """Load under motion control."""
    angle, half, part = _hump(phase, split, c)
    x = c[BASE] + half * (1.0 - np.cos(angle)) - c[OFFSET]
    speed = half * np.sin(angle) * TWO_PI * f / part
    return float(_spring_load(x, c) + c[TAU] * c[K1] * speed + c[FRICTION] * np.sign(speed))


@compiled
def state_at(constants: Floats, phase: float, frequency: float, split: float, by_motion: bool) -> tuple[float, float]:
    """Load and motion of one cycle (its row of constants) at a phase."""
    if by_motion:
        return _resisting(phase, split, frequency, constants), _wave(phase, split, constants)
    return _wave(phase, split, constants), _yielding(phase, split, frequency, constants)


@compiled
def deflections(load: Floats, k1: float, k3: float, play: float, take_up: float) -> Floats:
    """Motion of spring and backlash under loads, float64, shape (n,)."""
    out = np.empty(load.size, np.float64)
    for i in range(load.size):
        out[i] = deflection(load[i], k1, k3)
        if play > 0.0:
            out[i] += 0.5 * play * min(1.0, max(-1.0, load[i] / take_up))
    return out


@compiled
def _spring_load(x: float, c: Floats) -> float:
    gap = 0.5 * c[PLAY]
    x -= min(gap, max(-gap, x))
    return float((c[K3] * x * x + c[K1]) * x)


@compiled
def sample_cycles(
    constants: Floats,
    starts: NDArray[np.int64],
    first_cycle: int,
    sample_rate: float,
    frequency: float,
    split: float,
    by_motion: bool,
    load_skew: float,
    motion_skew: float,
    temperatures: Floats,
    load: Floats,
    motion: Floats,
    temperature: Floats,
) -> None:
    """Fill load, motion and temperature of whole cycles.

    Parameters
    ----------
    constants : float64 array, shape (m, len(CONSTANTS))
        One row a cycle.
    starts : int64 array, shape (m + 1,)
        First sample of each cycle, counted from the stretch's start.
    first_cycle : int
        Number (from 0) in the stretch of the cycle in row 0.
    split : float
        Part of the period of the first hump; 0 for one hump.
    load_skew, motion_skew : float
        Seconds by which a channel shows an earlier value.
    temperatures : float64 array, shape (m + 1,)
        At the cycle borders; between them linear.
    load, motion, temperature : float64 arrays, shape (starts[m] - starts[0],)
        Filled.
    """
    for row in range(constants.shape[0]):
        c = constants[row]
        for i in range(starts[row], starts[row + 1]):
            k = i - starts[0]
            phase = i / sample_rate * frequency - (first_cycle + row)
            a, b = phase - load_skew * frequency, phase - motion_skew * frequency
            if by_motion:
                motion[k] = _wave(b, split, c)
                load[k] = _resisting(a, split, frequency, c)
            else:
                load[k] = _wave(a, split, c)
                motion[k] = _yielding(b, split, frequency, c)
            temperature[k] = temperatures[row] + phase * (temperatures[row + 1] - temperatures[row])


@compiled
def measure_cycles(constants: Floats, frequency: float, split: float, by_motion: bool) -> Floats:
    """True measures of each cycle, float64, shape (m, len(TRUTH)); energy in load x motion."""
    out = np.empty((constants.shape[0], 8), np.float64)
    for row in range(constants.shape[0]):
        if by_motion:
            _measure_by_motion(constants[row], frequency, split, out[row])
        else:
            _measure_by_load(constants[row], frequency, split, out[row])
    return out


@compiled
def _measure_by_load(c: Floats, f: float, split: float, out: Floats) -> None:
    top, low, energy = -np.inf, np.inf, 0.0
    for hump in range(2):
        part = split if hump == 0 else 1.0 - split
        if part <= 0.0:
            continue
        half = 0.5 * ((c[HEEL] if hump == 0 else c[PEAK]) - c[BASE])
        lag = np.arctan(TWO_PI * f / part * c[TAU])
        size = half * np.cos(lag)
        bottom = c[BASE] + half - size + c[FRICTION]
        ceiling = max(bottom, c[BASE] + half + size - c[FRICTION])
        x_top, x_low = _shape(ceiling, c), _shape(bottom, c)
        top, low = max(top, x_top), min(low, x_low)
        if ceiling > bottom:
            energy += 2.0 * c[FRICTION] * (x_top - x_low)
            energy += _dashpot_work(c, half, size, TWO_PI * f / part)
    middle = split + 0.5 * (1.0 - split)
    out[PEAK_LOAD], out[VALLEY_LOAD] = c[PEAK], c[BASE]
    out[MOTION_AT_PEAK], out[MOTION_AT_VALLEY] = _yielding(middle, split, f, c), _yielding(0.0, split, f, c)
    out[MOTION_MAX], out[MOTION_MIN] = top + c[OFFSET], low + c[OFFSET]
    out[ENERGY] = energy
    out[SECANT_STIFFNESS] = (out[PEAK_LOAD] - out[VALLEY_LOAD]) / (out[MOTION_AT_PEAK] - out[MOTION_AT_VALLEY])


@compiled
def _dashpot_work(c: Floats, half: float, size: float, omega: float) -> float:
    """Integral of tau P' dx over the moving parts of both branches.

    Gauss-Legendre between the corners: relative error under 1e-7 while the spring's slope
    changes by less than a factor of ten.
    """
    friction, take_up, tau = c[FRICTION], c[TAKE_UP], c[TAU]
    if tau == 0.0:
        return 0.0
    stick = np.arccos(1.0 - 2.0 * friction / size)
    middle = c[BASE] + half
    work = 0.0
    for branch in range(2):
        shift = -friction if branch == 0 else friction  # the falling branch mirrored: angle from the top
        way = 1.0 if branch == 0 else -1.0
        edges = np.array([stick, np.pi, np.pi, np.pi])
        for corner in range(2):  # the corners of the backlash, or S = 0, where a cubic spring is softest
            level = take_up if c[PLAY] > 0.0 else 0.0
            level = (level if corner == 0 else -level) - shift - middle
            edges[1 + corner] = np.arccos(min(1.0, max(-1.0, -way * level / size)))
        edges.sort()
        edges = np.minimum(np.maximum(edges, stick), np.pi)
        for piece in range(3):
            a, b = edges[piece], edges[piece + 1]
            if b <= a:
                continue
            for node in range(_NODES.size):
                angle = 0.5 * (a + b) + 0.5 * (b - a) * _NODES[node]
                spring = middle - way * size * np.cos(angle) + shift
                x = deflection(spring, c[K1], c[K3])
                slope = 1.0 / (c[K1] + 3.0 * c[K3] * x * x)
                if c[PLAY] > 0.0 and abs(spring) < take_up:
                    slope += 0.5 * c[PLAY] / take_up
                work += 0.5 * (b - a) * _WEIGHTS[node] * tau * omega * (size * np.sin(angle)) ** 2 * slope
    return work


@compiled
def _measure_by_motion(c: Floats, f: float, split: float, out: Floats) -> None:
    energy, top, low = 0.0, -np.inf, np.inf
    at_top, at_low = 0.0, 0.0
    for hump in range(2):
        part = split if hump == 0 else 1.0 - split
        if part <= 0.0:
            continue
        half = 0.5 * ((c[HEEL] if hump == 0 else c[PEAK]) - c[BASE])
        omega = TWO_PI * f / part
        energy += np.pi * c[TAU] * c[K1] * omega * half * half + 4.0 * c[FRICTION] * half
        # peak: d/du (g + c x') = 0, u = pi - atan(c w / g'), by fixed point; the valley likewise near 0
        for side in range(2):
            u = np.pi if side == 0 else 0.0
            for _ in range(50):
                x = c[BASE] + half * (1.0 - np.cos(u)) - c[OFFSET]
                x -= min(0.5 * c[PLAY], max(-0.5 * c[PLAY], x))
                u = (np.pi if side == 0 else 0.0) - np.arctan(c[TAU] * c[K1] * omega / (c[K1] + 3.0 * c[K3] * x * x))
            motion = c[BASE] + half * (1.0 - np.cos(u))
            value = _spring_load(motion - c[OFFSET], c) + c[TAU] * c[K1] * omega * half * np.sin(u)
            value += c[FRICTION] if side == 0 else -c[FRICTION]
            if side == 0 and value > top:
                top, at_top = value, motion
            if side == 1 and value < low:
                low, at_low = value, motion
    out[PEAK_LOAD], out[VALLEY_LOAD], out[MOTION_AT_PEAK], out[MOTION_AT_VALLEY] = top, low, at_top, at_low
    out[MOTION_MAX], out[MOTION_MIN], out[ENERGY] = c[PEAK], c[BASE], energy
    # at the ends of motion friction has no sign: the load is the spring's
    out[SECANT_STIFFNESS] = (_spring_load(c[PEAK] - c[OFFSET], c) - _spring_load(c[BASE] - c[OFFSET], c)) / (
        c[PEAK] - c[BASE]
    )
