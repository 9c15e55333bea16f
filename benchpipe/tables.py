"""Every table's columns once: name, dtype, unit, null allowed, meaning.

The source of Parquet schemas, of the documentation, of limit measures and of
headings. A unit of ``load`` or ``motion`` stands for the run's own
(``N*m`` and ``deg``, or ``N`` and ``mm``), which the files carry as metadata.
"""

from __future__ import annotations

from enum import IntFlag
from typing import TYPE_CHECKING

from benchpipe.columns import (
    BUDGETS,
    LOCK_CHANGES,
    LOSSES,
    PROOFS,
    RELAXATION_POINTS,
    RELAXATIONS,
    STUCK,
    VERDICTS,
    Column,
)
from benchpipe.columns import column as _c

if TYPE_CHECKING:
    import pyarrow as pa


class CycleFlag(IntFlag):
    """What is odd about a cycle (bits of ``cycles.flags``)."""

    OPEN = 1
    UNDER_SAMPLED = 2
    GAP = 4
    SATURATED = 8
    OFF_TARGET = 16
    PEAKS_ONLY = 32
    STOOD_STILL = 64
    LOST_ROWS = 128
    BROKEN_OFF = 256
    SEVERAL_LOOPS = 512
    PART_OF_LOOP = 1024
    RAMP_ALONE = 2048
    UNCROSSED = 4096


NOT_ONE_LOOP = CycleFlag.SEVERAL_LOOPS | CycleFlag.PART_OF_LOOP | CycleFlag.RAMP_ALONE

FLAG_MEANING: dict[CycleFlag, str] = {
    CycleFlag.OPEN: "not closed: the log, a gap or a stop ended it; never judged",
    CycleFlag.UNDER_SAMPLED: "fewer samples than least_samples: loop fields are null",
    CycleFlag.GAP: "a step between samples longer than gap_samples allows: loop fields are null",
    CycleFlag.SATURATED: "load or motion reached the end of its channel's range: loop fields are null",
    CycleFlag.OFF_TARGET: "peak or valley outside the target by more than the tolerance",
    CycleFlag.PEAKS_ONLY: "only peaks and valleys were logged: loop fields are null",
    CycleFlag.STOOD_STILL: "load or motion has one value all along, or flickers in its last digit (a sensor that is "
    "stuck, a specimen that does not move): loop fields are null, never judged",
    CycleFlag.LOST_ROWS: "rows inside it (where a row is a cycle: just before it) were rejected, or have no load or "
    "no motion: its extremes may be missing",
    CycleFlag.BROKEN_OFF: "samples are missing where it was broken off: a gap in the clock",
    CycleFlag.SEVERAL_LOOPS: "the record holds more than one loop, by its crossings or by the plan's frequency: no "
    "complete cycle, loop fields are null",
    CycleFlag.PART_OF_LOOP: "the record holds a part of a loop, by its ends or by the plan's frequency: no complete "
    "cycle, loop fields are null",
    CycleFlag.RAMP_ALONE: "the record is a loading ramp alone: it has a peak and stiffness of loading, and no loop",
    CycleFlag.UNCROSSED: "load or motion goes to and fro at least twice, and does not cross both thresholds each time: "
    "cycles that were not found; loop fields are null",
}


SAMPLES: tuple[Column, ...] = (
    _c("time_us", "int64", "us", "time of the row: since 1970-01-01 by the rig's clock, or since the log began"),
    _c("row", "int64", "1", "row in the log file: line number of a text file, row from 1 of a table"),
    # then one float32 column for each channel of the rig file, in the channel's inside unit
)

REJECTS: tuple[Column, ...] = (
    _c("file", "string", "", "log file, relative to the plan"),
    _c("row", "int64", "1", "line or row in the file"),
    _c("rows", "int64", "1", "number of rows from there that share the reason"),
    _c("reason", "string", "", "why it was not taken"),
    _c("text", "string", "", "what stood there (shortened)", null=True),
)

# Measures of a cycle have the seven digits of the samples they are made of.
CYCLES: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("cycle", "int64", "1", "number of the complete cycle in its block, from 1; null for an open one", null=True),
    _c("segment", "int32", "1", "stretch between gaps and stops, from 1"),
    _c("start_us", "int64", "us", "time of the boundary crossing, rounded to a microsecond"),
    _c("period_s", "float64", "s", "time from boundary to boundary, interpolated between samples", null=True),
    _c("samples", "int32", "1", "samples inside the cycle"),
    _c("complete", "bool", "", "both boundaries were seen"),
    _c("flags", "uint16", "",
       "bits: open 1, under-sampled 2, gap 4, saturated 8, off target 16, peaks only 32, stood still 64, "
       "lost rows 128, broken off 256, several loops 512, "
       "part of loop 1024, ramp alone 2048, uncrossed 4096"),
    _c("peak_load", "float32", "load", "largest load"),
    _c("valley_load", "float32", "load", "smallest load"),
    _c("peak_time_s", "float32", "s", "time of the peak after the boundary", null=True),
    _c("valley_time_s", "float32", "s", "time of the valley after the boundary", null=True),
    _c("motion_at_peak", "float32", "motion", "motion at the peak load", null=True),
    _c("motion_at_valley", "float32", "motion", "motion at the valley load", null=True),
    _c("load_range", "float32", "load", "peak less valley"),
    _c("load_mean", "float32", "load", "mean over time", null=True),
    _c("motion_max", "float32", "motion", "largest motion"),
    _c("motion_min", "float32", "motion", "smallest motion"),
    _c("motion_range", "float32", "motion", "largest less smallest motion"),
    _c("motion_mean", "float32", "motion", "mean over time", null=True),
    _c("energy_j", "float32", "J", "loop energy: area of the polygon, positive when dissipated", null=True),
    _c("secant_stiffness", "float32", "load/motion", "slope between the extremes of the trigger signal", null=True),
    _c("loading_stiffness", "float32", "load/motion", "fitted slope of the loading branch in the band", null=True),
    _c("unloading_stiffness", "float32", "load/motion", "fitted slope of the unloading branch in the band", null=True),
    _c("loss_factor", "float32", "1", "energy / (2 pi E_s), E_s = load half-range x motion half-range / 2", null=True),
    _c("closure_gap", "float32", "motion", "motion at the end less motion at the start, at the same load", null=True),
    _c("storage_stiffness", "float32", "load/motion", "part in phase, of the fundamental: |K| cos phase", null=True),
    _c("loss_stiffness", "float32", "load/motion", "part a quarter cycle ahead: |K| sin phase", null=True),
    _c("phase_deg", "float32", "deg", "phase by which load leads motion, at the fundamental", null=True),
    _c("lash", "float32", "motion",
       "gap at zero load between the branches' lines in the band; null where the loop stays clear of zero load",
       null=True),
    _c("waveform_error", "float32", "1", "rms of the load less its fundamental, over the latter's", null=True),
    _c("temperature_c", "float32", "degC", "mean temperature", null=True),
    _c("counter", "float64", "1", "the rig's own counter at the first sample", null=True),
    _c("lost_rows", "int32", "1", "rows lost in it, or since the cycle before: rejected, or without load or motion"),
    _c("uncrossed", "int32", "1", "cycles in it that did not cross both thresholds, and were not found"),
    _c("longest_step_s", "float32", "s", "longest step between its samples, those to the boundaries included",
       null=True),
    _c("load_repeats", "int32", "1", "most samples in a row whose load equals that of the one before", null=True),
    _c("motion_repeats", "int32", "1", "most samples in a row whose motion channel equals that of the one before",
       null=True),
)  # fmt: skip

LOOPS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("cycle", "int64", "1", "number of the cycle the loop belongs to"),
    _c("time_us", "int64", "us", "time of the sample"),
    _c("load", "float64", "load", "load"),
    _c("motion", "float64", "motion", "motion"),
)

HOLDS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("hold", "int32", "1", "number of the hold in its block, from 1"),
    _c("start_us", "int64", "us", "time zero: load first inside its band"),
    _c("duration_s", "float64", "s", "time from the first to the last sample inside the band"),
    _c("complete", "bool", "", "the load left the band by itself; false where the log ends or breaks off in the hold"),
    _c("samples", "int64", "1", "samples used"),
    _c("ramp_s", "float64", "s", "time from a tenth of the load to the band", null=True),
    _c("load_mean", "float64", "load", "mean load"),
    _c("load_mean_u", "float64", "load", "its standard uncertainty, from its zero before and after", null=True),
    _c("load_sd", "float64", "load", "standard deviation of the load"),
    _c("zero_shift", "float64", "load", "what the load reads unloaded after the hold, less before", null=True),
    _c("zero_shift_u", "float64", "load", "its standard uncertainty", null=True),
    _c("temperature_c", "float64", "degC", "mean temperature", null=True),
    _c("temperature_range_c", "float64", "degC", "range of the averaged temperature", null=True),
    _c("elastic_motion", "float64", "motion", "motion of the ramp, in proportion to all of the load", null=True),
    _c("elastic_motion_u", "float64", "motion", "its standard uncertainty, from readings and the zero", null=True),
    _c("compliance", "float64", "motion/load", "by which a wobble of the load was taken off the motion", null=True),
    _c("load_taken_off", "float64", "motion", "creep at the end that the load's wobble made, taken off", null=True),
    _c("motion_per_k", "float64", "motion/K", "by which the temperature was taken off the motion", null=True),
    _c("temperature_taken_off", "float64", "motion", "creep at the end that temperature made, taken off", null=True),
    _c("kind", "string", "", "settling, leaking, both, not measurable or undecided"),
    _c("law", "string", "", "creep law that describes the hold best (least AICc); null: none fits", null=True),
    _c("resolution", "float64", "motion", "step of the motion channel: declared, else found", null=True),
    _c("creep_from_s", "float64", "s", "creep_end counts from so long after time zero", null=True),
    _c("creep_end", "float64", "motion", "creep at the end of the hold, since the end of the ramp part", null=True),
    _c("creep_end_u", "float64", "motion", "half of its 95 % interval (Student's t), divided by 2", null=True),
    _c("creep_dof", "float64", "1", "degrees of freedom of the curve that creep_end comes from", null=True),
    _c("creep_step_u", "float64", "motion", "part of creep_end_u: what averaging leaves of the resolution", null=True),
    _c("creep_drift_u", "float64", "motion", "part of creep_end_u: drift of the motion channel", null=True),
    _c("creep_full_end", "float64", "motion", "creep at the end of the hold, since full load (time zero)", null=True),
    _c("creep_full_end_u", "float64", "motion", "half of its 95 % interval (Student's t), divided by 2", null=True),
    _c("creep_full_dof", "float64", "1", "degrees of freedom of the curve that creep_full_end comes from", null=True),
    _c("creep_bound", "float64", "motion", "the size of the creep is below this, 95 %", null=True),
    _c("creep_law_low", "float64", "motion", "least creep_end of all laws that fit", null=True),
    _c("creep_law_high", "float64", "motion", "greatest creep_end of all laws that fit", null=True),
    _c("rate_end_per_h", "float64", "motion/h", "creep rate at the end of the hold", null=True),
    _c("rate_end_u_per_h", "float64", "motion/h", "half of its 95 % interval (Student's t), divided by 2", null=True),
    _c("rate_dof", "float64", "1", "degrees of freedom of the curve that rate_end_per_h comes from", null=True),
    _c("leak_per_h", "float64", "motion/h", "rate that goes on for ever, the load's way; 0 in laws without", null=True),
    _c("leak_u_per_h", "float64", "motion/h", "wider side of its 95 % interval, which ends at 0, over 2", null=True),
    _c("log_slope", "float64", "1", "d log rate / d log time: 0 a leak, -1 log time, -2/3 Andrade", null=True),
    _c("log_slope_low", "float64", "1", "lower end of its 95 % interval; null where it has none", null=True),
    _c("log_slope_high", "float64", "1", "upper end of its 95 % interval; null where it has none", null=True),
    _c("recovered", "float64", "1", "part of the creep that came back after unloading: 1 all, 0 a leak", null=True),
    _c("recovered_u", "float64", "1", "half of its 95 % interval, divided by 2", null=True),
    *LOSSES,
    STUCK,
    _c("remark", "string", "", "what limits these figures", null=True),
)

CREEP_POINTS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("hold", "int32", "1", "number of the hold"),
    _c("kind", "string", "", "curve: an average; asked: in the hold; projected: beyond; projection: a decade beyond"),
    _c("time_s", "float64", "s", "time after time zero"),
    _c("samples", "int64", "1", "samples averaged"),
    _c("motion", "float64", "motion", "mean motion"),
    _c("creep", "float64", "motion", "motion since the end of the ramp part", null=True),
    _c("creep_u", "float64", "motion", "standard uncertainty (of a fit: a quarter of its 95 % interval)", null=True),
    _c("creep_dof", "float64", "1", "degrees of freedom of the curve that creep comes from", null=True),
    _c("creep_full", "float64", "motion", "motion since full load (time zero), inside the hold", null=True),
    _c("creep_full_u", "float64", "motion", "half of its 95 % interval (Student's t), divided by 2", null=True),
    _c("reading_low", "float64", "motion", "a new reading of a fitted creep lies above this, 95 %", null=True),
    _c("reading_high", "float64", "motion", "a new reading of a fitted creep lies below this, 95 %", null=True),
)

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
    _c("lash", "float64", "motion", "gap at zero load between the branches at a reversal, mean of both", null=True),
    _c("lash_u", "float64", "motion", "half of its 95 % interval, divided by 2", null=True),
    _c("resistance_forward", "float64", "load", "largest low-passed |load| in resistance_between, rising", null=True),
    _c("resistance_forward_u", "float64", "load", "standard uncertainty from the noise of the load", null=True),
    _c("resistance_back", "float64", "load", "largest low-passed |load| in resistance_between, falling", null=True),
    _c("resistance_back_u", "float64", "load", "standard uncertainty from the noise of the load", null=True),
    _c("asymmetry", "float64", "load", "mean |load| in resistance_between, rising less falling", null=True),
    _c("asymmetry_u", "float64", "load", "standard uncertainty from the scatter along the range", null=True),
    _c("energy_j", "float64", "J", "loop energy", null=True),
    _c("temperature_c", "float64", "degC", "mean temperature", null=True),
    *LOSSES,
    _c("remark", "string", "", "what could not be told, and why", null=True),
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
    _c("remark", "string", "", "what could not be told, and why", null=True),
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

TRENDS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("measure", "string", "", "column of the cycles or holds table"),
    _c("number", "int64", "1", "middle cycle of the bin, or number of the hold"),
    _c("first", "int64", "1", "first cycle of the bin"),
    _c("last", "int64", "1", "last cycle of the bin"),
    _c("used", "int64", "1", "values used"),
    _c("median", "float64", "of the measure", "median of the bin"),
    _c("spread", "float64", "of the measure", "robust standard deviation (1.4826 MAD)"),
    _c("change", "float64", "1", "median / baseline median - 1", null=True),
)

ORIGINS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("what", "string", "", "cycle, hold or sweep"),
    _c("number", "int32", "1", "its number in the block"),
    _c("file", "string", "", "log file, relative to the plan"),
    _c("first_row", "int64", "1", "first row of the file inside it"),
    _c("last_row", "int64", "1", "last row of the file inside it"),
)

REMARKS: tuple[Column, ...] = (
    _c("step", "string", "", "ingest, process, check or keep"),
    _c("code", "string", "", "kind of remark"),
    _c("where", "string", "", "file or block"),
    _c("count", "int64", "1", "how many"),
    _c("text", "string", "", "what was seen, in a sentence"),
)

LANDMARKS: tuple[Column, ...] = (
    _c("mark", "int64", "1", "what the rows from there on hold, as a hash: the same in a copy of them"),
    _c("sample", "int64", "1", "place among the samples of its log, from 0"),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "samples": SAMPLES,
    "rejects": REJECTS,
    "cycles": CYCLES,
    "loops": LOOPS,
    "holds": HOLDS,
    "creep_points": CREEP_POINTS,
    "relaxations": RELAXATIONS,
    "relaxation_points": RELAXATION_POINTS,
    "sweeps": SWEEPS,
    "resistance": RESISTANCE,
    "resistance_points": RESISTANCE_POINTS,
    "stances": STANCES,
    "proofs": PROOFS,
    "lock_changes": LOCK_CHANGES,
    "trends": TRENDS,
    "verdicts": VERDICTS,
    "budgets": BUDGETS,
    "origins": ORIGINS,
    "remarks": REMARKS,
    "landmarks": LANDMARKS,
}


def columns(table: str) -> dict[str, Column]:
    """Columns of a table by name."""
    return {column.name: column for column in TABLES[table]}


def schema(table: str, units: dict[str, str] | None = None) -> pa.Schema:
    """Arrow schema of a table.

    Parameters
    ----------
    table : str
        A key of :data:`TABLES`.
    units : dict, optional
        What ``load`` and ``motion`` stand for, such as ``{"load": "N*m", "motion": "deg"}``.
    """
    import pyarrow as pa

    types = {
        "int64": pa.int64(), "int32": pa.int32(), "uint16": pa.uint16(), "float64": pa.float64(),
        "float32": pa.float32(), "bool": pa.bool_(), "string": pa.string(),
    }  # fmt: skip
    return pa.schema(
        [
            pa.field(c.name, types[c.dtype], c.null, {"unit": unit_text(c.unit, units or {}), "meaning": c.meaning})
            for c in TABLES[table]
        ]
    )


def unit_text(unit: str, units: dict[str, str]) -> str:
    """A column's unit with ``load`` and ``motion`` put into words of the run."""
    parts = [units.get(part, part) for part in unit.split("/")]
    return "/".join(parts)


def flag_names(flags: int) -> str:
    """``"gap|off target"`` for a cycle's flag bits."""
    return "|".join(f.name.lower().replace("_", " ") for f in CycleFlag if flags & f and f.name)
