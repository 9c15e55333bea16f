"""The uncertainty of a judged value: calibration, sampling, and the spread of the values.

Calibration comes from the rig file (expanded, k = 2) and is common to all values, so
that no averaging lowers it and a ratio to the baseline does not have it. Lever arms
and the machine's compliance count as exact.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchpipe.check.decision import COVERAGE_FACTOR
from benchpipe.check.measures import Measure
from benchpipe.check.values import Values
from benchpipe.config.rig import AxisConfig, RigConfig
from benchpipe.kernels.robust import effective_size, lag1_autocorrelation, mad_sigma
from benchpipe.process.signals import MM_PER_M

MEDIAN_FACTOR = math.sqrt(math.pi / 2.0)  # standard error of a median over that of a mean, normal values
Floats = NDArray[np.float64]


def peak_under_read(samples: float) -> float:
    """Largest part of a sine's half-range that N samples a cycle miss: ``1 - cos(pi / N)``."""
    return 1.0 - math.cos(math.pi / samples)


def area_under_read(samples: float) -> float:
    """Part of an ellipse's area that a polygon of N samples misses: ``1 - sin(2 pi / N) / (2 pi / N)``."""
    step = 2.0 * math.pi / samples
    return 1.0 - math.sin(step) / step


def calibration_u(measure: Measure, rig: RigConfig, value: float, values: Values) -> float:
    """Standard uncertainty from the channels' certificates, in the measure's unit."""
    parts = []
    for power, axis, typical in (
        (measure.load_power, rig.load, values.load_range),
        (measure.motion_power, rig.motion, values.motion_range),
    ):
        if power == 0:
            continue
        channel = rig.find(axis.channel)
        relative = channel.uncertainty
        floor = channel.uncertainty_floor.value if channel.uncertainty_floor else 0.0
        floor *= _gearing(axis, is_load=axis is rig.load)
        same_unit = measure.load_power + measure.motion_power == 1 and measure.unit in ("load", "motion")
        if same_unit:
            parts.append(math.hypot(relative * value, floor))
        elif math.isfinite(typical) and typical > 0.0:
            parts.append(value * math.hypot(relative, floor / typical))
        else:
            parts.append(value * relative)
    return math.hypot(*parts) / COVERAGE_FACTOR if parts else 0.0


def _gearing(axis: AxisConfig, *, is_load: bool) -> float:
    """Largest size of the axis's motion or load for one unit of its channel."""
    if axis.table:
        steps = [abs((b[1].value - a[1].value) / (b[0].value - a[0].value)) for a, b in pairwise(axis.table)]
        return max(steps)
    if axis.sine_bar is not None:
        return math.degrees(1.0 / axis.sine_bar)  # at the middle; the sine bar is steeper away from it
    if axis.lever_arm is None:
        return 1.0
    return axis.lever_arm / MM_PER_M if is_load else math.degrees(1.0 / axis.lever_arm)


def sampling_u(measure: Measure, value: float, values: Values) -> float:
    """Standard uncertainty from what sampling may have missed (a rectangle from 0 to the worst)."""
    if not measure.sampling or not math.isfinite(values.samples) or values.samples < 2:
        return 0.0
    if measure.sampling == "energy":
        return abs(value) * area_under_read(values.samples) / math.sqrt(3.0)
    typical = values.load_range if measure.load_power else values.motion_range
    half = 0.5 * typical if math.isfinite(typical) else abs(value)
    return half * peak_under_read(values.samples) / math.sqrt(3.0)


def spread_u(value: Floats, *, of_median: bool) -> float:
    """Standard error of a median or mean, from the robust spread and the values' correlation."""
    if value.size < 2:
        return 0.0
    size = max(effective_size(value.size, lag1_autocorrelation(value)), 1.0) if value.size > 2 else value.size
    spread = mad_sigma(value) or float(np.std(value, ddof=1))  # most values equal: a coarse channel, not a sure one
    return (MEDIAN_FACTOR if of_median else 1.0) * spread / math.sqrt(size)
