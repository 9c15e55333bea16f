"""The fundamental of load and motion in one loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import inlined_sums

LEAST_EVEN = 8  # samples
Floats = NDArray[np.float64]


@inlined_sums
def fundamental(
    time_us: NDArray[np.int64],
    load: Floats,
    motion: Floats,
    period: float,
    t_start: float,
    means: tuple[float, float],
    even: bool,
    scratch: Floats,
) -> tuple[float, float, float, float]:
    """Means over a period of load and motion times cos and sin of the phase.

    By the trapezium rule from boundary to boundary. Even sampling turns phasors by
    steps; uneven sampling asks for each sine.

    Parameters
    ----------
    time_us, load, motion : arrays, shape (n,)
        The first and last sample stand outside the boundaries.
    period, t_start : float
        Length, and the first boundary's time from sample 1 (zero or below) [s].
    means : (float, float)
        Of load and motion.
    even : bool
        Steps differ by little.
    scratch : float64 array, shape (2, at least n)
        Room for the phasors.

    Returns
    -------
    load cos, load sin, motion cos, motion sin : float
    """
    load_mean, motion_mean = means
    last = load.size - 2
    turn = 2.0 * np.pi / period
    step = (time_us[last] - time_us[1]) * 1e-6 / max(last - 1, 1)
    end = period + t_start - (time_us[last] - time_us[1]) * 1e-6  # from the last sample to the boundary
    first_c, first_s = np.cos(turn * t_start), -np.sin(turn * t_start)
    if even and last >= LEAST_EVEN:
        cosines, sines = scratch[0, :last], scratch[1, :last]
        _turn(cosines, sines, first_c, first_s, turn * step)
        last_c, last_s = cosines[last - 1], sines[last - 1]
        a, b, c, d = _products(load[1 : last + 1], motion[1 : last + 1], cosines, sines, load_mean, motion_mean)
        a, b, c, d = a * step, b * step, c * step, d * step
    else:
        last_c, last_s = np.cos(turn * end), -np.sin(turn * end)
        a, b, c, d = 0.0, 0.0, 0.0, 0.0
        for j in range(1, last + 1):
            before = time_us[j] - time_us[j - 1] if j > 1 else 0
            after = time_us[j + 1] - time_us[j] if j < last else 0
            phase = turn * ((time_us[j] - time_us[1]) * 1e-6 - t_start)
            weight = 0.5e-6 * (before + after)
            cosine, sine = weight * np.cos(phase), weight * np.sin(phase)
            f, x = load[j] - load_mean, motion[j] - motion_mean
            a, b, c, d = a + f * cosine, b + f * sine, c + x * cosine, d + x * sine
        step = 0.0
    # the steps that the boundaries cut short
    lead = time_us[1] - time_us[0]
    part = 1.0 + t_start / (lead * 1e-6) if lead > 0 else 1.0
    start_l = load[0] + part * (np.float64(load[1]) - load[0])
    start_m = motion[0] + part * (np.float64(motion[1]) - motion[0])
    first, final, both = 0.5 * (-t_start - step), 0.5 * (end - step), 0.5 * (end - t_start)
    first_l, first_m = first * (load[1] - load_mean), first * (motion[1] - motion_mean)
    last_l, last_m = final * (load[last] - load_mean), final * (motion[last] - motion_mean)
    a += first_l * first_c + last_l * last_c + both * (start_l - load_mean)
    b += first_l * first_s + last_l * last_s
    c += first_m * first_c + last_m * last_c + both * (start_m - motion_mean)
    d += first_m * first_s + last_m * last_s
    return a / period, b / period, c / period, d / period


@inlined_sums
def _turn(cosines: Floats, sines: Floats, c: float, s: float, step: float) -> None:
    """Cosines and sines from ``c, s`` on by equal steps: what is there is turned on, twice as much each time."""
    cosines[0], sines[0] = c, s
    turn_c, turn_s = np.cos(step), np.sin(step)
    done, size = 1, cosines.size
    while done < size:
        count = min(done, size - done)
        from_c, from_s, to_c, to_s = cosines[:count], sines[:count], cosines[done:], sines[done:]
        for k in range(count):
            to_c[k] = from_c[k] * turn_c - from_s[k] * turn_s
            to_s[k] = from_c[k] * turn_s + from_s[k] * turn_c
        turn_c, turn_s = turn_c * turn_c - turn_s * turn_s, 2.0 * turn_c * turn_s
        done += count


@inlined_sums
def _products(
    load: Floats, motion: Floats, cosines: Floats, sines: Floats, load_mean: float, motion_mean: float
) -> tuple[float, float, float, float]:
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    for k in range(load.size):
        f, x = np.float64(load[k]) - load_mean, np.float64(motion[k]) - motion_mean
        a += f * cosines[k]
        b += f * sines[k]
        c += x * cosines[k]
        d += x * sines[k]
    return a, b, c, d
