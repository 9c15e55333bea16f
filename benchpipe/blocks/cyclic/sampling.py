"""What finite sampling takes off a cycle's figures, estimated for each cycle from its own row.

Carried as uncertainty, not corrected: a correction by interpolation would follow the noise of three samples,
which at 100 samples a cycle is larger than the 0.05 % that it should correct. Everything is computed from columns
that are there, when a limit is judged: the kernels spend no time on it.

With N samples a cycle no sample may be nearer to an extreme than half a step, d = pi / N:

- a sine's extreme reads low by at most ``1 - cos(d)`` of its amplitude, and a third harmonic of relative
  amplitude w adds ``w (1 - cos(3 d))``; w is the cycle's waveform error, all of which is taken as third harmonic.
  Where load and motion are more than 45 deg apart, one of them may have its extreme at a boundary, and the nearest
  sample in the neighbouring cycle: a whole step then;
- a polygon has ``sin(2 d) / (2 d)`` of an ellipse's area. A loop with square shoulders (Coulomb friction) loses up
  to 1.5 times as much: the corner that a chord of one step cuts off;
- a secant stiffness reads load and motion at the sample of the extreme: with motion a phase p behind load it is
  off by at most ``tan(|p|) d``, either way.

Elementary geometry, each compared with closed forms by `tests/check/test_check_sampling.py`. What is known is the
worst case: the standard uncertainty is that of a rectangle (GUM 4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.measures import Measure

SHOULDERS = 1.5
MOST_WAVEFORM_ERROR = 0.5
LEAST_SAMPLES = 6.0  # below, a cycle's shape is not known and nothing of it is judged
FAR_APART = 45.0  # deg
RECTANGLE = 1.0 / np.sqrt(3.0)
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sampled:
    """Columns of the cycles table that say how a cycle was sampled: float64 arrays, shape (n,), NaN for null."""

    samples: Floats
    load_range: Floats
    motion_range: Floats
    waveform_error: Floats
    phase_deg: Floats


def peak_under_read(samples: Floats, waveform_error: Floats) -> Floats:
    """Largest part of the half-range by which an extreme reads low."""
    half_step = np.pi / samples
    error = np.clip(np.nan_to_num(waveform_error), 0.0, MOST_WAVEFORM_ERROR)
    low = (1.0 - np.cos(half_step)) + error * (1.0 - np.cos(3.0 * half_step))
    return np.asarray(low / (1.0 - error))  # the fundamental may be larger than the half-range by so much


def area_under_read(samples: Floats) -> Floats:
    """Part of an ellipse's area that a polygon misses: ``1 - sin(2 pi / N) / (2 pi / N)``."""
    return np.asarray(1.0 - np.sinc(2.0 / samples))


def secant_error(samples: Floats, phase_deg: Floats) -> Floats:
    """Largest part by which a secant stiffness is off."""
    return np.asarray(np.tan(np.radians(np.minimum(np.abs(np.nan_to_num(phase_deg)), 80.0))) * np.pi / samples)


def _of_read(low: Floats) -> Floats:
    """A part of the true value as a part of the value that was read."""
    return np.asarray(low / (1.0 - low))


def sampling_u(measure: Measure, value: Floats, of: Sampled) -> Floats:
    """Standard uncertainty of each cycle's value from what sampling may have missed, in the measure's unit.

    Cycles of a log that holds peaks only have none: the rig, which looked at each of its samples, found them.
    """
    samples = np.where(of.samples >= LEAST_SAMPLES, of.samples, np.nan) - 1.0  # its steps may be longer by one in N
    if measure.sampling == "peak":
        half = 0.5 * (of.load_range if measure.load_power else of.motion_range)
        apart = np.abs(np.nan_to_num(of.phase_deg)) > FAR_APART
        worst = half * _of_read(peak_under_read(np.where(apart, 0.5, 1.0) * samples, of.waveform_error))
        worst = worst * (2.0 if measure.range else 1.0)
    elif measure.sampling == "energy":
        worst = np.abs(value) * _of_read(SHOULDERS * area_under_read(samples))
    elif measure.sampling == "secant":
        worst = np.abs(value) * secant_error(samples, of.phase_deg)
    else:
        worst = np.zeros(len(value))
    return np.asarray(np.nan_to_num(RECTANGLE * worst))
