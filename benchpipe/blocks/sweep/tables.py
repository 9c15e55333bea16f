"""Tables of sweeps: one row a sweep, the parts of its resistance, and the points of those."""

from __future__ import annotations

from benchpipe.columns import LOSSES, Column
from benchpipe.columns import column as _c

SWEEPS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("sweep", "int32", "1", "number of the sweep (there and back), from 1"),
    _c("start_us", "int64", "us", "time of the boundary crossing"),
    _c("period_s", "float64", "s", "time from boundary to boundary"),
    _c("samples", "int32", "1", "samples inside"),
    _c("motion_min", "float64", "motion", "smallest motion"),
    _c("motion_max", "float64", "motion", "largest motion"),
    _c("range_of_motion", "float64", "motion", "between the points where the end stops engage", null=True),
    _c("range_of_motion_u", "float64", "motion", "half of its 95 % interval, divided by 2", null=True),
    _c("range_of_motion_dof", "float64", "1", "degrees of freedom behind it", null=True),
    _c("lower_stop", "float64", "motion", "motion at which the lower end stop, hard or stiffening, engages", null=True),
    _c("lower_stop_u", "float64", "motion", "half of its 95 % interval, divided by 2", null=True),
    _c("lower_stop_dof", "float64", "1", "degrees of freedom behind it", null=True),
    _c("upper_stop", "float64", "motion", "motion at which the upper end stop, hard or stiffening, engages", null=True),
    _c("upper_stop_u", "float64", "motion", "half of its 95 % interval, divided by 2", null=True),
    _c("upper_stop_dof", "float64", "1", "degrees of freedom behind it", null=True),
    _c("usable_range", "float64", "motion", "widest stretch in which |load| stays within usable_load", null=True),
    _c("usable_range_u", "float64", "motion", "standard uncertainty from the steps between samples", null=True),
    _c("backlash", "float64", "motion", "gap at zero load between the branches at a reversal, mean of both", null=True),
    _c("backlash_u", "float64", "motion", "half of its 95 % interval, divided by 2", null=True),
    _c("resistance_forward", "float64", "load", "largest low-passed |load| in resistance_between, rising", null=True),
    _c("resistance_forward_u", "float64", "load", "standard uncertainty from the noise of the load", null=True),
    _c("resistance_back", "float64", "load", "largest low-passed |load| in resistance_between, falling", null=True),
    _c("resistance_back_u", "float64", "load", "standard uncertainty from the noise of the load", null=True),
    _c("asymmetry", "float64", "load", "mean |load| in resistance_between, rising less falling", null=True),
    _c("asymmetry_u", "float64", "load", "standard uncertainty from the scatter along the range", null=True),
    _c("energy_j", "float64", "J", "loop energy", null=True),
    _c("temperature_c", "float64", "degC", "mean temperature", null=True),
    *LOSSES,
    _c("remark", "string", "", "what could not be determined, and why", null=True),
)
INCOMPLETE_SWEEPS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("after_sweep", "int32", "1", "number of the sweep before it; of one with a gap its own"),
    _c("start_us", "int64", "us", "time of its first sample"),
    _c("duration_s", "float64", "s", "time from its first sample to its last"),
    _c("samples", "int32", "1", "samples that are left of it"),
    _c("broken_off", "bool", "", "samples are missing: a gap lies in it or ended it"),
    _c("resistance_forward", "float64", "load", "largest low-passed |load| that is left, rising", null=True),
    _c("resistance_forward_u", "float64", "load", "standard uncertainty from the noise of the load", null=True),
    _c("resistance_back", "float64", "load", "largest low-passed |load| that is left, falling", null=True),
    _c("resistance_back_u", "float64", "load", "standard uncertainty from the noise of the load", null=True),
    *LOSSES,
)
# The parts are loads, so that they add up to the resistance at the reference speed w:
# Coulomb T_c, laminar c_1 w, orifice c_2 w^2.
RESISTANCE: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("sweep", "int32", "1", "number of the sweep; null: all sweeps of the block in one fit", null=True),
    _c("direction", "string", "", "forward (motion rises) or back"),
    _c("samples", "int64", "1", "samples in motion, inside resistance_between"),
    _c("speed_low", "float64", "motion/s", "slowest of their averages", null=True),
    _c("speed_high", "float64", "motion/s", "fastest of their averages", null=True),
    _c("temperature_low_c", "float64", "degC", "coldest of their averages", null=True),
    _c("temperature_high_c", "float64", "degC", "warmest of their averages", null=True),
    _c("breakaway", "float64", "load", "largest |load| in the first motion after a standstill", null=True),
    _c("breakaway_u", "float64", "load", "its standard uncertainty", null=True),
    _c("coulomb", "float64", "load", "part that does not follow the speed", null=True),
    _c("coulomb_u", "float64", "load", "its standard error", null=True),
    _c("laminar", "float64", "load", "part in proportion to the speed, at reference_speed and reference_c", null=True),
    _c("laminar_u", "float64", "load", "its standard error", null=True),
    _c("orifice", "float64", "load", "part in proportion to the square of the speed, at reference_speed", null=True),
    _c("orifice_u", "float64", "load", "its standard error", null=True),
    _c("reference_speed", "float64", "motion/s", "of the plan; where it has none, the fastest", null=True),
    _c("reference_c", "float64", "degC", "mean temperature", null=True),
    _c("thinning_per_k", "float64", "1/K", "fall of the laminar part per kelvin; both directions in one", null=True),
    _c("thinning_u_per_k", "float64", "1/K", "half of its 95 % interval, divided by 2", null=True),
    _c("residual_sd", "float64", "load", "standard deviation of the averages about the fit", null=True),
    _c("remark", "string", "", "what could not be determined, and why", null=True),
)
RESISTANCE_POINTS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("sweep", "int32", "1", "number of the sweep"),
    _c("direction", "string", "", "forward (motion rises) or back"),
    _c("motion", "float64", "motion", "mean motion in a sixteenth of resistance_between"),
    _c("speed", "float64", "motion/s", "mean speed, negative back"),
    _c("load", "float64", "load", "mean load"),
    _c("temperature_c", "float64", "degC", "mean temperature", null=True),
    _c("samples", "int64", "1", "samples averaged"),
)
