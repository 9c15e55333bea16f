"""Tables of drift: trends, events, phases, forecasts.

Parts of the scale: changes are relative to the measure's own level in its first day, or to the range of load or motion
where its zero means nothing; ``scale`` gives the size of 1 in the unit of the measure.
"""

from __future__ import annotations

from benchpipe.columns import Column
from benchpipe.columns import column as _c

TRENDS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("measure", "string", "", "column of the cycles table"),
    _c("bins", "string", "", "a bin of time (a fixed grid of the log's own time) or of cycles (1, 2, 5 ...)"),
    _c("first", "int64", "1", "first cycle of the bin"),
    _c("last", "int64", "1", "last cycle of the bin"),
    _c("start_us", "int64", "us", "start of its first cycle"),
    _c("end_us", "int64", "us", "end of its last cycle"),
    _c("used", "int64", "1", "values used"),
    _c("mean", "float64", "of the measure", "mean, values beyond 5 robust sd drawn in", null=True),
    _c("median", "float64", "of the measure", "median; in bins of cycles the mean of those of time", null=True),
    _c("scatter", "float64", "of the measure", "robust standard deviation from cycle to cycle", null=True),
    _c("temperature_c", "float64", "degC", "mean temperature", null=True),
    _c("separable", "bool", "", "inside the range of temperature that the coefficient is known for"),
    _c("change", "float64", "1", "change since baseline, temperature taken out, in parts of the scale", null=True),
)  # fmt: skip
EVENTS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("event", "int64", "1", "number of the event; measures that moved together share it"),
    _c("measure", "string", "", "column of the cycles table"),
    _c("kind", "string", "", "step, slope, scatter, backlash; else the kind of a log entry that re-based the measure"),
    _c("found", "string", "", "online (at a day's border), offline (the whole history at once) or log"),
    _c("alarm", "bool", "", "an alarm is given for this row; the other rows of an event moved with it"),
    _c("cycle", "int64", "1", "cycle at which it happened"),
    _c("cycle_low", "int64", "1", "lower end of the interval of that cycle (95 %)"),
    _c("cycle_high", "int64", "1", "upper end"),
    _c("time_us", "int64", "us", "time at which it happened"),
    _c("size", "float64", "1", "step in parts of the scale; slope in parts per million cycles; scatter: relative"),
    _c("low", "float64", "1", "lower end of its interval (95 %)", null=True),
    _c("high", "float64", "1", "upper end", null=True),
    _c("scale", "float64", "of the measure", "size of 1"),
    _c("score", "float64", "1", "normal score that raised it", null=True),
    _c("threshold", "float64", "1", "threshold of the score, from the rate of false alarms a run", null=True),
    _c("seen_until_us", "int64", "us", "day's border at which it was found"),
    _c("together", "string", "", "all measures that moved with it, comma between"),
    _c("near", "string", "", "what the log says near it: stop, restart, gap, zero_shift, calibration, inspection"),
)  # fmt: skip
PHASES: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("measure", "string", "", "column of the cycles table"),
    _c("phase", "string", "", "run-in, steady, wear-out; since baseline: from the baseline window to the last day"),
    _c("first", "int64", "1", "first cycle"),
    _c("last", "int64", "1", "last cycle"),
    _c("change", "float64", "1", "change over the phase, temperature taken out, in parts of the scale", null=True),
    _c("low", "float64", "1", "lower end of its interval (95 %)", null=True),
    _c("high", "float64", "1", "upper end", null=True),
    _c("slope_per_million", "float64", "1", "median slope per million cycles (Theil-Sen on thinned values)", null=True),
    _c("slope_low", "float64", "1", "lower end of its interval (95 %)", null=True),
    _c("slope_high", "float64", "1", "upper end", null=True),
    _c("trend_p", "float64", "1", "two-sided p of Mann-Kendall's test on thinned values", null=True),
    _c("step_seen", "float64", "1", "smallest step that two days show in nine of ten runs, or more", null=True),
    _c("n_effective", "float64", "1", "independent bins that the phase is worth", null=True),
    _c("coefficient_per_k", "float64", "1/K", "coefficient of temperature, in parts of the scale", null=True),
    _c("coefficient_u", "float64", "1/K", "its standard uncertainty", null=True),
    _c("baseline_first", "int64", "1", "first cycle of the baseline window; null before run-in has ended", null=True),
    _c("baseline_last", "int64", "1", "last cycle of it", null=True),
    _c("remark", "string", "", "why a figure is missing or wide"),
)  # fmt: skip
FORECASTS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("measure", "string", "", "column of the cycles table"),
    _c("limit", "float64", "1", "change since baseline that is the limit, in parts of the scale", null=True),
    _c("limit_value", "float64", "of the measure", "the limit where it is on the measure itself", null=True),
    _c("unit", "string", "", "its unit"),
    _c("expected", "bool", "", "a crossing before the planned end is to be expected"),
    _c("crossed", "bool", "", "the wear is beyond the limit today"),
    _c("cycle", "float64", "1", "median of the crossing; infinite: none in sight", null=True),
    _c("low", "float64", "1", "lower end of the prediction interval", null=True),
    _c("high", "float64", "1", "upper end; infinite where it is open", null=True),
    _c("low_us", "int64", "us", "date of the lower end at the pace of the last week", null=True),
    _c("high_us", "int64", "us", "date of the upper end; null where it is open", null=True),
    _c("before_end", "float64", "1", "probability of a crossing before the planned end", null=True),
    _c("coverage", "float64", "1", "of the interval"),
    _c("remark", "string", "", "no crossing expected before the planned end, or why there is no forecast"),
)  # fmt: skip
KEPT_LOOPS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("cycle", "int64", "1", "number of the cycle the loop belongs to"),
    _c("why", "string", "", "why: first, baseline, last, beside an event, worst of a measure, first beyond a limit"),
    _c("time_us", "int64", "us", "time of the sample"),
    _c("load", "float64", "load", "load"),
    _c("motion", "float64", "motion", "motion"),
)
BINS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("figure", "string", "", "what of the bins of time is kept, so that a night reads its new days alone"),
    _c("series", "int32", "1", "place of the measure among those watched; 0 where the figure is of no measure"),
    _c("value", "float64", "of the measure", "bin after bin", null=True),
)
