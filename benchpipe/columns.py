"""What a column of a table is, and the columns of proofs and lock changes (:mod:`benchpipe.tables` has all)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column of a table. ``dtype`` is an Arrow type's name."""

    name: str
    dtype: str
    unit: str
    null: bool
    meaning: str


def column(name: str, dtype: str, unit: str, meaning: str, *, null: bool = False) -> Column:
    """Make a column."""
    return Column(name, dtype, unit, null, meaning)


def with_u(name: str, unit: str, meaning: str) -> tuple[Column, Column]:
    """A figure that may be missing, and its standard uncertainty."""
    u = column(f"{name}_u", "float64", unit, "its standard uncertainty", null=True)
    return column(name, "float64", unit, meaning, null=True), u


# What is missing in a stretch of the log that a row was measured from.
LOSSES: tuple[Column, ...] = (
    column("lost_rows", "int64", "1", "rows of the log lost in it: rejected, or without load or motion"),
    column("longest_step_s", "float64", "s", "longest step between its samples", null=True),
)

STUCK = column(
    "stuck_rows", "int64", "1", "rows whose load repeats one value for longer than chance leaves", null=True
)

PROOFS: tuple[Column, ...] = (
    column("block", "string", "", "block of the plan"),
    column("proof", "int32", "1", "number of the proof in its block, from 1"),
    column("start_us", "int64", "us", "load leaves the settling load"),
    column("duration_s", "float64", "s", "time until it is back there, or the log ends"),
    column("complete", "bool", "", "the load came back to the settling load; false where the log ends before"),
    column("samples", "int64", "1", "samples used"),
    column("outcome", "string", "", "held, cut short, not reached, failed, inconclusive, gap, saturated or log ends"),
    column("rules_broken", "int32", "times", "rules of the plan it broke; null where not known", null=True),
    column("broken", "string", "", "which step broke a rule: what was found, what was asked", null=True),
    column("stay_before_s", "float64", "s", "time at the settling load before"),
    *with_u("loading_rate", "load/s", "line through 10 to 90 % of the way up"),
    column("reached_after_s", "float64", "s", "time from the start until the load is in its band", null=True),
    column("peak_load", "float64", "load", "largest load", null=True),
    column("load_noise", "float64", "load", "standard deviation of one reading of the load", null=True),
    column("hold_time_s", "float64", "s", "time from there to the corner of unloading, or to failure", null=True),
    *with_u("held_load", "load", "mean load of the hold"),
    column("held_load_low", "float64", "load", "smallest mean over a second of the hold", null=True),
    column("held_load_high", "float64", "load", "largest mean over a second of the hold", null=True),
    *with_u("load_drop", "load", "mean load of the hold's first second less that of its last"),
    column("motion_at_load", "float64", "motion", "motion at the end of the hold", null=True),
    *with_u("permanent_set", "motion", "motion at the settling load, after less before; u covers recovery to come"),
    column(
        "permanent_set_recovering",
        "bool",
        "",
        "the motion was still coming back when it was read; null: not known",
        null=True,
    ),
    *with_u("recovery_rate", "motion/min", "rate of the motion then, what follows the load taken off; negative: back"),
    column("stay_after_s", "float64", "s", "time at the settling load after, as far as it was looked at", null=True),
    *with_u("stiffness_before", "load/motion", "fitted slope of 20 to 80 % of the way, loading"),
    *with_u("stiffness_after", "load/motion", "fitted slope of 20 to 80 % of the way, unloading"),
    *with_u("stiffness_change", "1", "stiffness after / before - 1"),
    column("sudden_drop", "int32", "times", "1 where the load fell suddenly; null where that is not known", null=True),
    column("drop_load", "float64", "load", "load from which it first fell suddenly", null=True),
    column("drop_size", "float64", "load", "how far it fell", null=True),
    column("drop_time_s", "float64", "s", "time of that fall after the start", null=True),
    column("failure_load", "float64", "load", "peak load at failure: it fell and was not reached again", null=True),
    column("carried_load", "float64", "load", "largest load before the first sudden drop or failure", null=True),
    column("temperature_c", "float64", "degC", "mean temperature", null=True),
    column("temperature_range_c", "float64", "degC", "range of the temperature", null=True),
    *LOSSES,
    STUCK,
    column("remark", "string", "", "what limits these figures", null=True),
)

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
    column("kind", "string", "", "settling, leaking, both, not measurable or undecided"),
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

LOCK_CHANGES: tuple[Column, ...] = (
    column("block", "string", "", "block of the plan"),
    column("lock_change", "int32", "1", "number of the change in its block, from 1"),
    column("start_us", "int64", "us", "first sample that shows the new mode"),
    column("duration_s", "float64", "s", "time it was looked at"),
    column("to", "string", "", "locked or unlocked"),
    column("outcome", "string", "", "held, released, failed, not tested, cut short or time not known"),
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

VERDICTS: tuple[Column, ...] = (
    column("limit", "string", "", "name of the limit"),
    column("limits_file", "string", "", "name of the limit file"),
    column("block", "string", "", "block it was judged on"),
    column("measure", "string", "", "what was measured"),
    column("statistic", "string", "", "how the values were put together"),
    column("first", "int64", "1", "first cycle, hold or sweep judged", null=True),
    column("last", "int64", "1", "last one judged", null=True),
    column("used", "int64", "1", "values used"),
    column("of", "int64", "1", "values there should have been: every cycle begun, and those the rig alone counted"),
    column(
        "left_out", "string", "", "how many could not be used or may hide something, by reason, and the first of each"
    ),
    column("measured", "float64", "of the limit", "measured value", null=True),
    column("bound", "string", "", "at least or at most, where the value only bounds the true one; else empty"),
    column("at", "string", "", "of a largest or smallest value, or a fail: which cycle, hold or sweep it is of"),
    column("standard_u", "float64", "of the limit", "its standard uncertainty", null=True),
    column(
        "dof", "float64", "1", "degrees of freedom of that (Welch-Satterthwaite); null: infinite, not known", null=True
    ),
    column("expanded_u", "float64", "of the limit", "half-width of its 95 % interval (Student's factor)", null=True),
    column("operator", "string", "", "<=, >= or within"),
    column("value", "float64", "of the limit", "the limit; of two, the one that is nearer"),
    column("other_value", "float64", "of the limit", "the other of two limits", null=True),
    column("unit", "string", "", "unit of measured, expanded_u and value"),
    column("margin", "float64", "of the limit", "distance to the limit, positive on the good side", null=True),
    column("guard", "float64", "of the limit", "guard band that the rule asks for", null=True),
    column("conformance", "float64", "1", "probability that the true value is within the limit (JCGM 106)", null=True),
    column(
        "consumer_risk", "float64", "1", "of a specimen drawn from the prior: bad and accepted (JCGM 106)", null=True
    ),
    column("producer_risk", "float64", "1", "of a specimen drawn from the prior: good and not accepted", null=True),
    column("risk", "float64", "1", "most that the rule lets an item exactly at its limit pass with"),
    column("rule", "string", "", "decision rule, in words"),
    column("verdict", "string", "", "pass, fail, inconclusive or not evaluated"),
    column("due", "bool", "", "false while the plan has not come to it yet"),
    column("remark", "string", "", "why, where it is not plain"),
    column("not_corrected", "float64", "1", "a change as it was read, before temperature was taken off", null=True),
    column("correction", "float64", "1", "what temperature took off a change", null=True),
    column("correction_u", "float64", "1", "standard uncertainty of that", null=True),
    column("source", "string", "", "where the limit comes from"),
    column("verified", "bool", "", "somebody has verified the value against its source"),
    column("verified_by", "string", "", "who, and when"),
)

BUDGETS: tuple[Column, ...] = (
    column("limit", "string", "", "name of the limit"),
    column("limits_file", "string", "", "name of the limit file"),
    column("block", "string", "", "block it was judged on"),
    column("part", "string", "", "where a part of the uncertainty comes from"),
    column("kind", "string", "", "A: from the scatter of values; B: from anything else (GUM 4.2, 4.3)"),
    column("standard_u", "float64", "of the limit", "standard uncertainty that it gives; null: not known", null=True),
    column("dof", "float64", "1", "its degrees of freedom; null: infinite or not known", null=True),
    column("share", "float64", "1", "its share of the variance", null=True),
    column("unit", "string", "", "unit of standard_u"),
    column("note", "string", "", "what it was taken from"),
)
