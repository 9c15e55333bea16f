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
    lead, trail = steps
    first_s = np.sin(2.0 * np.pi / period * lead)
    first_c = np.sqrt(1.0 - first_s * first_s) if 4.0 * lead <= period else np.cos(2.0 * np.pi / period * lead)
    last_c = last_phasor[0] * first_c - last_phasor[1] * first_s
    last_s = last_phasor[0] * first_s + last_phasor[1] * first_c
    f = means[0]
    a, b = sums.load_cos - f * sums.cos, sums.load_sin - f * sums.sin
    load_cos = a * first_c - b * first_s
    load_sin = a * first_s + b * first_c
    load_cos += 0.5 * lead * ((loads[0] - f) + (loads[1] - f) * first_c)
    load_sin += 0.5 * lead * (loads[1] - f) * first_s
    load_cos += 0.5 * trail * ((loads[3] - f) + (loads[2] - f) * last_c)
    load_sin += 0.5 * trail * (loads[2] - f) * last_s
    x = means[1]
    a, b = sums.motion_cos - x * sums.cos, sums.motion_sin - x * sums.sin
    motion_cos = a * first_c - b * first_s
    motion_sin = a * first_s + b * first_c
    motion_cos += 0.5 * lead * ((motions[0] - x) + (motions[1] - x) * first_c)
    motion_sin += 0.5 * lead * (motions[1] - x) * first_s
    motion_cos += 0.5 * trail * ((motions[3] - x) + (motions[2] - x) * last_c)
    motion_sin += 0.5 * trail * (motions[2] - x) * last_s
    return load_cos / period, load_sin / period, motion_cos / period, motion_sin / period
