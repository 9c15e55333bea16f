"""Table of lock changes."""

from __future__ import annotations

from benchpipe.columns import LOSSES, Column, column, with_u

LOCK_CHANGES: tuple[Column, ...] = (
    column("block", "string", "", "block of the plan"),
    column("lock_change", "int32", "1", "number of the change in its block, from 1"),
    column("start_us", "int64", "us", "first sample that shows the new mode"),
    column("duration_s", "float64", "s", "time it was looked at"),
    column("to", "string", "", "locked or unlocked"),
    column("outcome", "string", "", "held, released, failed, not tested, cut short, time not known or not measured"),
    column("samples", "int32", "1", "samples used"),
    column("bounces", "int32", "1", "times the mode channel fell back before it stood"),
    column("time_to_hold_s", "float64", "s", "time until the joint moves no more and carries the load", null=True),
    column("time_to_hold_u_s", "float64", "s", "its standard uncertainty", null=True),
    column("time_to_free_s", "float64", "s", "time until the load stays below carry_load", null=True),
    column("time_to_free_u_s", "float64", "s", "its standard uncertainty", null=True),
    *with_u("slip", "motion", "motion from the change until it holds, less the elastic part"),
    column("motion_held", "float64", "motion", "motion at which it holds, less the elastic part", null=True),
    column("asked", "float64", "motion", "motion at which it was asked to lock", null=True),
    *with_u("lock_error", "motion", "motion_held less asked"),
    column("travel", "float64", "motion", "largest motion since the change", null=True),
    column("peak_load", "float64", "load", "largest size of the load since the change", null=True),
    column("lock_failed", "int32", "times", "1 for a lock that failed; null where that is not known", null=True),
    column("unlock_failed", "int32", "times", "1 for an unlock that failed; null where that is not known", null=True),
    *LOSSES,
    column("remark", "string", "", "what limits these figures", null=True),
)
