"""The uncertainty of a judged value: calibration, sampling, and the spread of the values (for sampling see
:mod:`benchpipe.check.sampling`).

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
            parts.append(math.hypot(relative * value, measure.zero_times * floor))
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


def single_u(value: Floats) -> float:
    """Standard uncertainty of one value among its neighbours: robust, from the steps between them.

    Slow drift does not enter: the spread of successive differences is sqrt(2) times that of the values (von Neumann).
    """
    return mad_sigma(np.diff(value)) / math.sqrt(2.0) if value.size > 2 else 0.0


def spread_u(value: Floats, *, of_median: bool) -> float:
    """Standard error of a median or mean, from the robust spread and the values' correlation."""
    if value.size < 2:
        return 0.0
    size = max(effective_size(value.size, lag1_autocorrelation(value)), 1.0) if value.size > 2 else value.size
    spread = mad_sigma(value) or float(np.std(value, ddof=1))  # most values equal: a coarse channel, not a sure one
    return (MEDIAN_FACTOR if of_median else 1.0) * spread / math.sqrt(size)
