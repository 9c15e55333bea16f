"""The fundamental of load and motion in one loop."""

from __future__ import annotations

import numpy as np

from benchpipe.kernels.compiled import inlined_sums
from benchpipe.kernels.loop_sums import LoopSums


@inlined_sums
def fundamental(
    sums: LoopSums,
    period: float,
    steps: tuple[float, float],
    means: tuple[float, float],
    loads: tuple[float, float, float, float],
    motions: tuple[float, float, float, float],
    last_phasor: tuple[float, float],
) -> tuple[float, float, float, float]:
    """Means over a period of load and motion, less their means, times cos and sin of the phase.

    By the trapezium rule from boundary to boundary, where the phase is a whole turn.

    Parameters
    ----------
    sums : LoopSums
        From the first to the last sample, with the phase counted from the first.
    period : float
        [s]
    steps : (float, float)
        From the boundary to the first sample and from the last to the boundary [s].
    means : (float, float)
        Of load and motion.
    loads, motions : (float, float, float, float)
        At the first boundary, the first and last sample, and the second boundary.
    last_phasor : (float, float)
        cos and sin of the phase from the first sample to the last.

    Returns
    -------
    load cos, load sin, motion cos, motion sin : float
    """
    turned = 2.0 * np.pi / period * steps[0]
    first_s = np.sin(turned)
    first_c = np.sqrt(1.0 - first_s * first_s) if 4.0 * steps[0] <= period else np.cos(turned)
    last_c = last_phasor[0] * first_c - last_phasor[1] * first_s
    last_s = last_phasor[0] * first_s + last_phasor[1] * first_c
    phasors = (first_c, first_s, last_c, last_s)
    of_load = _through_boundaries(
        sums.load_cos - means[0] * sums.cos, sums.load_sin - means[0] * sums.sin, means[0], loads, steps, phasors
    )
    of_motion = _through_boundaries(
        sums.motion_cos - means[1] * sums.cos, sums.motion_sin - means[1] * sums.sin, means[1], motions, steps, phasors
    )
    return of_load[0] / period, of_load[1] / period, of_motion[0] / period, of_motion[1] / period


@inlined_sums
def _through_boundaries(
    cosine: float,
    sine: float,
    mean: float,
    values: tuple[float, float, float, float],
    steps: tuple[float, float],
    phasors: tuple[float, float, float, float],
) -> tuple[float, float]:
    """Sums of one signal less its mean, turned to the phase from the boundary, with the steps at both ends."""
    first_c, first_s, last_c, last_s = phasors
    lead, trail = 0.5 * steps[0], 0.5 * steps[1]
    first, last = values[1] - mean, values[2] - mean
    around = lead * (values[0] - mean) + trail * (values[3] - mean)  # the boundaries have the phase 0
    return (
        cosine * first_c - sine * first_s + around + lead * first * first_c + trail * last * last_c,
        cosine * first_s + sine * first_c + lead * first * first_s + trail * last * last_s,
    )
