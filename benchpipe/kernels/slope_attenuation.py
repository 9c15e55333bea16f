"""By how much noise in the motion makes a slope of load on motion too small.

A stiffness is a least-squares line of load on motion. Noise of the motion spreads the regressor and adds nothing to
its product with the load, so the slope comes out as λ times the true one with the *reliability ratio*
λ = σ_x²/(σ_x² + σ_u²): σ_x² the variance of the true motions in the band, σ_u² that of their noise. What is missing,
1 − λ, does not get less with more samples or cycles.

References
----------
W. A. Fuller, *Measurement Error Models* (Wiley 1987) §1.1, eq. (1.1.7) (attenuation, reliability ratio) and §1.2;
written from memory, not checked. JCGM 100:2008, F.2.4.4: a known effect that is not corrected enters the uncertainty.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.kernels.robust import mad_sigma

Floats = NDArray[np.float64]

ENDS = 12.0
"""Variance of motions spread evenly over a range: its square by 12."""
FEWEST = 5
"""Closure errors whose scatter tells anything."""


def attenuation(noise_sd_motion: ArrayLike, band_range_motion: ArrayLike, samples: ArrayLike) -> Floats:
    """Largest relative bias of a slope of load on motion, 1 − λ: the true slope lies above by up to so much.

    Parameters
    ----------
    noise_sd_motion : array_like, shape (n,)
        Standard deviation of the noise of one reading of the motion, after the low-pass where there is one.
    band_range_motion : array_like, shape (n,)
        Range of the true motion in the band the line is fitted in: for a cycle, the band's part (0.6 of 0.2 to 0.8) of
        ``load_range``, over the fitted slope.
    samples : array_like, shape (n,)
        Samples of the branch in the band: for a cycle, about half of ``samples`` times the band's part of a sine's
        half turn (0.41 of 0.2 to 0.8). The line needs three.

    Returns
    -------
    float64 array, shape (n,)
        Between 0 and 1, relative to the true slope; 1 where there is noise and no range; NaN where an argument is not
        finite or there are no two samples.

    Notes
    -----
    σ_x² ≥ range²/12·(n + 1)/(n − 1) of n samples spread evenly (the closed form of their variance); samples of a sine
    in a band clear of its turns lie nearly so. In few samples the expected slope is closer to the truth than λ says
    (by a term of 1/n), so this bounds it. Add it as a one-sided uncertainty part of the slope, rectangular from
    nothing to the whole: u = bias/√3 (:func:`attenuation_u`), or correct by 1/λ.
    """
    given = (np.asarray(v, np.float64) for v in (noise_sd_motion, band_range_motion, samples))
    sd, width, n = np.broadcast_arrays(*given)
    with np.errstate(invalid="ignore", divide="ignore"):
        true = np.maximum(width, 0.0) ** 2 / ENDS * (n + 1.0) / (n - 1.0)
        bias = np.where(sd > 0.0, sd**2 / (true + sd**2), 0.0)
    return np.where(np.isfinite(sd) & np.isfinite(width) & (n >= 2), bias, np.nan)


def attenuation_u(noise_sd_motion: ArrayLike, band_range_motion: ArrayLike, samples: ArrayLike) -> Floats:
    """Relative standard uncertainty of a slope from its attenuation: rms of anything from nothing to the bound.

    Parameters
    ----------
    noise_sd_motion, band_range_motion, samples : array_like, shape (n,)
        As for :func:`attenuation`.

    Returns
    -------
    float64 array, shape (n,)
        Relative to the true slope, without unit; NaN where :func:`attenuation` gives NaN.
    """
    return np.asarray(attenuation(noise_sd_motion, band_range_motion, samples) / sqrt(3.0))


def motion_noise(closure_error: ArrayLike, resolution_u: float = 0.0) -> float:
    """Standard deviation of one motion reading, from the closure errors of many loops.

    Parameters
    ----------
    closure_error : array_like, shape (n,)
        Motion at the end less that at the start of each cycle, at the same load (column ``closure_error``). Its scatter
        is that of two interpolated readings, and of real play from cycle to cycle: more than the noise, never less
        than what interpolation leaves of it (a half to the whole variance of a reading at each end).
    resolution_u : float
        Standard uncertainty of the channel's resolution: the floor.

    Returns
    -------
    float
        NaN where fewer than five are finite and there is no floor.

    Notes
    -----
    var(gap) = 2 σ² E[(1 − p)² + p²] + (the trigger's noise over the stiffness)²; p, the place of the crossing in its
    step, is spread evenly over 0 to 1, so E = 2/3 and σ = sd(gap)·√(3/4). Taken as sd(gap): an upper bound for an
    even sampling that keeps step with the cycle (p always 0 or 1 gives sd(gap)/√2, p = ½ gives sd(gap)).
    """
    gaps = np.asarray(closure_error, np.float64)
    gaps = gaps[np.isfinite(gaps)]
    found = mad_sigma(gaps) if gaps.size >= FEWEST else np.nan
    if np.isnan(found):
        return resolution_u if resolution_u > 0.0 else float("nan")
    return max(float(found), resolution_u)
