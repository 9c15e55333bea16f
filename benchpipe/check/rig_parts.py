"""Parts of an uncertainty budget that the rig file states: certificates, geometry, machine, delays, clock, drift.

They are common to all values of a run, so no averaging lowers them, and a ratio to the baseline does not have them
unless a channel was recalibrated between the two.

With a machine of stiffness K in the load train the motion is M = X - L/K (X as measured). So an error of K, of the
load and of X enters a figure of M enlarged: with c = (L/K)/M the relative sensitivities of M to X, L and K are
1 + c, -c and c, those of a stiffness L/M are -(1 + c), 1 + c and -c, and those of a loss factor, whose energy does
not depend on K, are -c, c and -c. Elementary differentiation (GUM 5.1.3).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import Typical, Values
from benchpipe.check.budget import BudgetPart, from_expanded, rectangular, triangular
from benchpipe.config.channel import CalibrationConfig, ChannelConfig
from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import ENERGY_FACTOR, gearing

DAY_US = 86_400e6


@dataclass(frozen=True)
class Sensitivity:
    """Relative change of a figure for a relative change of load, motion as measured, and machine stiffness."""

    load: float
    motion: float
    machine: float


def channels_of(measure: Measure, rig: RigConfig, block: Any = None) -> tuple[ChannelConfig, ...]:
    """Channels that a measure is made of, in a block where that decides."""
    if measure.channels is not None:
        names = list(measure.channels(block)) if block is not None else []
        return tuple(rig.find(name) for name in dict.fromkeys(names))
    if measure.of == "temperature":
        return (rig.find(rig.temperature),) if rig.temperature else ()
    names = [rig.load.channel] if measure.load_power or measure.of == "phase" else []
    names += [rig.motion.channel] if measure.motion_power or measure.of == "phase" else []
    if measure.motion_power and rig.motion.machine_stiffness is not None:
        names.append(rig.load.channel)
    return tuple(rig.find(name) for name in dict.fromkeys(names))


def not_stated(measure: Measure, rig: RigConfig, block: Any = None) -> tuple[str, ...]:
    """Names of the channels of a measure that state no uncertainty."""
    return tuple(channel.name for channel in channels_of(measure, rig, block) if not channel.stated)


def rig_parts(measure: Measure, rig: RigConfig, value: float, values: Values) -> tuple[BudgetPart, ...]:
    """Parts of a figure's budget from the rig file, in the measure's unit.

    Parameters
    ----------
    value : float
        The figure.
    values : Values
        What it was made of: when, and how large load and motion usually were.
    """
    return tuple(part for part in _parts(measure, rig, value, values) if part.u > 0.0 or not math.isfinite(part.u))


def _parts(measure: Measure, rig: RigConfig, value: float, values: Values) -> Iterator[BudgetPart]:
    if measure.of == "temperature" and rig.temperature:
        channel = rig.find(rig.temperature)
        yield _certificate(channel, value, 1.0, math.nan, 1.0, rig, values)
        yield from _readings(channel, 1.0, math.nan, times=1.0)
        return
    for one in values.through:
        yield _certificate(rig.find(one.channel), value, one.factor, one.size, 1.0, rig, values, own=False)
    typical = values.typical
    sensitivity = sensitivity_of(measure, rig, value, typical)
    position = measure.unit in ("load", "motion") and measure.load_power + measure.motion_power == 1
    for axis, factor, size, own in (
        (rig.load, sensitivity.load, typical.load_range, measure.load_power == 1 and position),
        (rig.motion, sensitivity.motion, typical.motion_range, measure.motion_power == 1 and position),
    ):
        if factor == 0.0:
            continue
        channel, is_load = rig.find(axis.channel), axis is rig.load
        gear = gearing(axis, is_load=is_load)
        yield _certificate(channel, value, factor, size, measure.zero_times * gear if own else gear, rig, values, own)
        yield from_expanded(
            f"{'lever arm of the load' if is_load else 'geometry of the motion'}",
            abs(factor * value) * axis.geometry_uncertainty,
            note="geometry_uncertainty of the rig file",
        )
        if own and measure.in_window:
            digit = typical.load_digit if is_load else typical.motion_digit
            yield from _readings(channel, gear, digit, times=math.sqrt(2.0) if measure.range else 1.0)
            if not measure.range:
                yield from _drift(channel, gear, values)
    yield from_expanded(
        "machine stiffness", abs(sensitivity.machine * value) * rig.motion.machine_uncertainty, note="rig file"
    )
    yield _delays(measure, rig, typical)
    if measure.unit == "s" or measure.unit.endswith(("/h", "/s")):
        yield from_expanded("clock", abs(value) * rig.time.uncertainty, note="uncertainty of [time]")
        yield _resolution(measure, rig, value, values)


def _resolution(measure: Measure, rig: RigConfig, value: float, values: Values) -> BudgetPart:
    """Step of a coarse clock: either end of a time is anywhere in it (the difference of two is triangular)."""
    step = rig.time.resolution or 0.0
    if measure.unit != "s":
        first, last = values.between_us or (0, 0)
        step = abs(value) * step / ((last - first) * 1e-6) if last > first and step else 0.0
    return triangular("resolution of the clock", step, note="the steps in which it counts")


def sensitivity_of(measure: Measure, rig: RigConfig, value: float, typical: Typical) -> Sensitivity:
    """How a figure follows load, motion and machine stiffness, relatively."""
    c = _machine_share(measure, rig, value, typical)
    if measure.phase == "loss factor":
        return Sensitivity(c, -c, -c)
    if measure.phase == "energy":
        return Sensitivity(1.0, 1.0, 0.0)
    of_motion = measure.motion_power
    return Sensitivity(measure.load_power - of_motion * c, of_motion * (1.0 + c), of_motion * c)


def _machine_share(measure: Measure, rig: RigConfig, value: float, typical: Typical) -> float:
    """Motion of the machine over that of the specimen; 0 without a machine stiffness or where the load is constant."""
    machine = rig.motion.machine_stiffness
    if machine is None or not measure.machine:
        return 0.0
    if measure.unit == "load/motion" and value:
        return abs(value) / machine.value
    if not measure.in_window or not typical.motion_range > 0.0:
        return 0.0
    return typical.load_range / machine.value / typical.motion_range


def _certificate(
    channel: ChannelConfig, value: float, factor: float, size: float, gear: float, rig: RigConfig, values: Values,
    own: bool = True,
) -> BudgetPart:  # fmt: skip
    """Calibration of a channel: a part of the value, and never less than its floor."""
    in_force = calibrations_at(channel, rig, values.between_us)
    relative = max(one.uncertainty or 0.0 for one in in_force)
    floor = gear * max(one.uncertainty_floor.value if one.uncertainty_floor else 0.0 for one in in_force)
    if own:
        expanded = math.hypot(factor * relative * value, floor * max(abs(factor), 1.0))
    elif math.isfinite(size) and size > 0.0:
        expanded = abs(factor * value) * math.hypot(relative, floor / size)
    else:
        expanded = abs(factor * value) * relative
    names = ", ".join(dict.fromkeys(one.certificate for one in in_force if one.certificate))
    return from_expanded(f"calibration of '{channel.name}'", expanded, note=f"certificate {names}" if names else "")


def calibrations_at(
    channel: ChannelConfig, rig: RigConfig, between_us: tuple[int, int] | None
) -> tuple[CalibrationConfig, ...]:
    """Calibrations in force at some time of a window; all of them where the log has no dates."""
    known = channel.calibrations
    if between_us is None or not rig.time.dated or len(known) < 2:
        return known
    first, last = (day_of(us) for us in between_us)
    ends = [later.valid_from for later in known[1:]] + [None]
    in_force = [
        one
        for one, end in zip(known, ends, strict=True)
        if (one.valid_from is None or one.valid_from <= last) and (end is None or end > first)
    ]
    return tuple(in_force) or known


def recalibrated(
    measure: Measure, rig: RigConfig, change: float, base: Values, values: Values
) -> tuple[BudgetPart, ...]:
    """Part of a ratio to the baseline of each channel that was recalibrated between the two windows."""
    found = []
    for channel in channels_of(measure, rig):
        then, now = (calibrations_at(channel, rig, v.between_us) for v in (base, values))
        if then != now:
            relative = math.hypot(*(max(c.uncertainty or 0.0 for c in some) for some in (then, now)))
            note = "recalibrated since the baseline: the errors do not cancel"
            found.append(from_expanded(f"calibrations of '{channel.name}'", relative * (1.0 + change), note=note))
    return tuple(found)


def day_of(us: int) -> date:
    """The day of a time on a dated axis."""
    return date(1970, 1, 1) + timedelta(microseconds=us)


def _readings(channel: ChannelConfig, gear: float, digit: float, *, times: float) -> Iterator[BudgetPart]:
    """Resolution of single readings: a rectangle of one digit (GUM F.2.2.1), declared or learnt."""
    step = channel.resolution.value if channel.resolution is not None else digit
    if step > 0.0:
        note = "one digit, declared" if channel.resolution is not None else "one digit, as the samples show it"
        yield rectangular(f"resolution of '{channel.name}'", 0.5 * times * gear * step, note=note)


def _drift(channel: ChannelConfig, gear: float, values: Values) -> Iterator[BudgetPart]:
    """Drift of the zero since the run began: it lies anywhere up to what the rig file states."""
    if channel.drift_per_day is not None and values.between_us is not None:
        days = max(values.between_us[1] - (values.begun_us or values.between_us[0]), 0) / DAY_US
        yield rectangular(
            f"zero drift of '{channel.name}'", gear * channel.drift_per_day.value * days, note=f"over {days:.3g} d"
        )


def _delays(measure: Measure, rig: RigConfig, typical: Typical) -> BudgetPart:
    """Delay between load and motion: a skew t adds 2 pi f t to the phase, so to energy, loss factor and secant."""
    load, motion = rig.find(rig.load.channel), rig.find(rig.motion.channel)
    of_clocks = rig.second.offset_uncertainty if rig.second is not None and load.logger != motion.logger else 0.0
    u_s = 0.5 * math.hypot(load.delay_uncertainty, motion.delay_uncertainty, of_clocks)
    angle = 2.0 * math.pi * u_s / typical.period_s if typical.period_s > 0.0 else 0.0
    scale = 0.0
    if measure.phase == "energy":
        scale = 0.25 * math.pi * typical.load_range * typical.motion_range * ENERGY_FACTOR[rig.load_quantity]
    elif measure.phase == "loss factor":
        scale = 1.0
    return BudgetPart(
        "delay between load and motion", abs(scale * angle) if math.isfinite(scale) else 0.0, note="rig file"
    )
