"""Table of stance windows."""

from __future__ import annotations

from benchpipe.columns import LOSSES, Column
from benchpipe.columns import column as _c

STANCES: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("stance", "int32", "1", "number of the stance window in its block, from 1"),
    _c("start_us", "int64", "us", "time of its first sample"),
    _c("duration_s", "float64", "s", "time from its first to its last sample"),
    _c("samples", "int64", "1", "samples in it"),
    _c("load_mean", "float64", "load", "mean load"),
    _c("load_range", "float64", "load", "largest less smallest load"),
    _c("motion_mean", "float64", "motion", "mean motion"),
    _c("drift", "float64", "motion", "drift over the window: its rate times its length", null=True),
    _c("drift_u", "float64", "motion", "its standard uncertainty, for correlated noise", null=True),
    _c("drift_per_h", "float64", "motion/h", "rate of drift, beside what follows the load", null=True),
    _c("drift_u_per_h", "float64", "motion/h", "its standard uncertainty, for correlated noise", null=True),
    _c("motion_range", "float64", "motion", "largest less smallest motion", null=True),
    _c("motion_range_u", "float64", "motion", "standard uncertainty from the noise of single readings", null=True),
    _c("motion_range_95", "float64", "motion", "range of the middle 95 % of the readings", null=True),
    _c("motion_range_95_u", "float64", "motion", "its standard uncertainty from the noise of the readings", null=True),
    _c("compliance", "float64", "motion/load", "motion that follows the load, where that moves", null=True),
    _c("compliance_u", "float64", "motion/load", "its standard uncertainty", null=True),
    _c("temperature_c", "float64", "degC", "mean temperature", null=True),
    *LOSSES,
    _c("remark", "string", "", "what limits these figures", null=True),
)
