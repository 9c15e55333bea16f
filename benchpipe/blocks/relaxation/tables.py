"""Tables of relaxations: one row each, and the load at the asked times."""

from __future__ import annotations

from benchpipe.columns import LOSSES, Column, column, with_u

RELAXATIONS: tuple[Column, ...] = (
    column("block", "string", "", "block of the plan"),
    column("relaxation", "int32", "1", "number of the held motion in its block, from 1"),
    column("start_us", "int64", "us", "time zero: motion first inside its band"),
    column("duration_s", "float64", "s", "time from the first to the last sample inside the band"),
    column("complete", "bool", "", "the motion left the band by itself; false where the log ends or breaks off in it"),
    column("samples", "int64", "1", "samples used"),
    column("ramp_s", "float64", "s", "time from a tenth of the motion to the band", null=True),
    column("motion_mean", "float64", "motion", "mean motion"),
    column("motion_sd", "float64", "motion", "standard deviation of the motion"),
    column("load_start", "float64", "load", "load at full motion (time zero): load_end and what was lost", null=True),
    column("load_end", "float64", "load", "load at the end, mean of the last average"),
    *with_u("load_lost_end", "load", "load lost from full motion to the end"),
    *with_u("load_lost_part_end", "1", "the same as a part of load_start"),
    column("load_lost_dof", "float64", "1", "degrees of freedom of the curve that the load lost comes from", null=True),
    *with_u("rate_end", "load/s", "rate of relaxation at the end"),
    column("rate_dof", "float64", "1", "degrees of freedom of the curve that rate_end comes from", null=True),
    column("log_slope", "float64", "1", "d log rate / d log time: 0 a leak, -1 log time", null=True),
    column("kind", "string", "", "settling (decaying loss), leaking (steady loss), both, not measurable or undecided"),
    column("law", "string", "", "law that describes the relaxation best (least AICc); null: none fits", null=True),
    column("temperature_c", "float64", "degC", "mean temperature", null=True),
    column("temperature_range_c", "float64", "degC", "range of the averaged temperature", null=True),
    *LOSSES,
    column("remark", "string", "", "what limits these figures", null=True),
)
RELAXATION_POINTS: tuple[Column, ...] = (
    column("block", "string", "", "block of the plan"),
    column("relaxation", "int32", "1", "number of the held motion"),
    column("kind", "string", "", "curve: an average; asked: at a time of report_at"),
    column("time_s", "float64", "s", "time after time zero"),
    column("samples", "int64", "1", "samples averaged"),
    column("load", "float64", "load", "load"),
    *with_u("load_lost", "load", "load lost since full motion (time zero)"),
    *with_u("load_lost_part", "1", "the same as a part of the load at full motion"),
)
