"""Tables of load cycling: cycles, loops, trends."""

from __future__ import annotations

from enum import IntFlag

from benchpipe.columns import Column
from benchpipe.columns import column as _c


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
    _c("closure_error", "float32", "motion", "motion at the end less motion at the start, at the same load", null=True),
    _c("storage_stiffness", "float32", "load/motion", "part in phase, of the fundamental: |K| cos phase", null=True),
    _c("loss_stiffness", "float32", "load/motion", "part a quarter cycle ahead: |K| sin phase", null=True),
    _c("phase_deg", "float32", "deg", "phase by which load leads motion, at the fundamental", null=True),
    _c("backlash", "float32", "motion",
       "gap at zero load between the branches' lines in the band; null where the loop stays clear of zero load",
       null=True),
    _c("waveform_error", "float32", "1", "rms of the load less its fundamental, over the latter's", null=True),
    _c("temperature_c", "float32", "degC", "mean temperature", null=True),
    _c("counter", "float64", "1", "the rig's own counter at the first sample", null=True),
    _c("lost_rows", "int32", "1", "rows lost in it, or since the cycle before: rejected, or without load or motion"),
    _c("uncrossed", "int32", "1", "cycles in it that did not cross both thresholds, and were not found"),
    _c("longest_step_s", "float32", "s", "longest step between its samples, those to the boundaries included",
       null=True),
    _c("load_repeats", "int32", "1", "most samples in a row whose load equals that of the one before, or half as many "
       "that flicker between two values", null=True),
    _c("motion_repeats", "int32", "1", "the same of the motion channel", null=True),
)  # fmt: skip
LOOPS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("cycle", "int64", "1", "number of the cycle the loop belongs to"),
    _c("time_us", "int64", "us", "time of the sample"),
    _c("load", "float64", "load", "load"),
    _c("motion", "float64", "motion", "motion"),
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


def flag_names(flags: int) -> str:
    """``"gap|off target"`` for a cycle's flag bits."""
    return "|".join(f.name.lower().replace("_", " ") for f in CycleFlag if flags & f and f.name)
