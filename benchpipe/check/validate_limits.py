"""Check that limits fit the plan that they judge."""

from __future__ import annotations

from benchpipe.blocks.measures import COUNTED, Measure
from benchpipe.check.drift_limits import drift_misfit
from benchpipe.check.measures import measures_of
from benchpipe.columns import unit_text
from benchpipe.config.limits import OF_DRIFT, LimitConfig
from benchpipe.config.model import together
from benchpipe.drift.settings import drift_limits
from benchpipe.errors import ConfigError, nearest
from benchpipe.plan import Block
from benchpipe.run import RunConfig
from benchpipe.samples.signals import signal_units


def limits_fit(run: RunConfig) -> None:
    """Hold every limit against the measures, the plan's blocks and the run's units.

    Raises
    ------
    ConfigError
        An unknown measure, a block of another kind, a value in another unit, or a statistic
        or window that does not fit: all of them at once.
    """
    problems: list[ConfigError] = []
    for limits in run.limits:
        for i, limit in enumerate(limits.config.limit):
            if (found := _misfit(limit, run)) is not None:
                key, what, expected = found
                where = limits.file.where(("limit", i, key))
                problems.append(ConfigError(f"limit '{limit.name}': {what}", where=where, expected=expected))
    if problems:
        raise together(problems)


def _misfit(limit: LimitConfig, run: RunConfig) -> tuple[str, str, str | None] | None:
    """Key, what is wrong with it, and what is allowed; None for a limit that fits."""
    known = measures_of(run)
    measure = known.get(limit.measure)
    if measure is None:
        return "measure", f"unknown measure '{limit.measure}'", nearest(limit.measure, list(known))
    kinds = {b.name: b.kind for b in run.plan.block}
    kind = kinds.get(limit.block, limit.block)
    if kind != measure.kind:
        fitting = [name for name, k in kinds.items() if k == measure.kind]
        what = f"{measure.name} is a measure of {measure.kind} blocks, '{limit.block}' is not one"
        return "block", what, "known: " + ", ".join(dict.fromkeys([measure.kind, *fitting]))
    wrong = _wrong_statistic(limit, measure) or _wrong_window(limit, measure)
    expected = limit_unit(limit, measure, run)
    unit = limit.ends[0].unit
    if wrong is None and unit != expected:
        what = f"the value is in {unit}, {measure.name} ({limit.statistic}) in {expected}"
        return "value" if limit.between is None else "between", what, f"a value in {expected}"
    wrong = wrong or _nothing_to_forecast(limit, run)
    wrong = wrong or next(filter(None, (_wrong_block(limit, b) for b in blocks_of(limit, measure, run))), None)
    return (*wrong, None) if wrong else None


def limit_unit(limit: LimitConfig, measure: Measure, run: RunConfig) -> str:
    """Inside unit of a limit's value."""
    if limit.statistic in ("change", "share", "slope", "step"):
        return "1"
    if limit.statistic == "cycles_left":
        return "cycles"
    return unit_text(measure.unit, signal_units(run.rig))


def _wrong_statistic(limit: LimitConfig, measure: Measure) -> tuple[str, str] | None:
    if limit.statistic in OF_DRIFT:
        return drift_misfit(limit.statistic, measure.name, limit.operator)
    if (limit.statistic == "count") != (measure.statistics == COUNTED):
        return "statistic", "'count' goes with cycles_done and what is counted in times, and only with them"
    if (limit.statistic == "share") != ("share" in measure.statistics):
        return "statistic", "'share' goes with off_target, and only with it"
    if limit.statistic == "change" and "change" not in measure.statistics:
        return "statistic", f"'change' is a ratio to the baseline, which {measure.name} does not have"
    return None


def _wrong_window(limit: LimitConfig, measure: Measure) -> tuple[str, str] | None:
    window = next((key for key in ("last_cycles", "cycles") if getattr(limit, key) is not None), None)
    if window and limit.statistic in OF_DRIFT:
        return window, f"'{limit.statistic}' is taken over all that was run"
    if window and not measure.in_window:
        return window, f"{measure.name} is not taken over some cycles"
    if measure.at_time and limit.at_time is None:
        return "measure", f"{measure.name} needs at_time, such as '10 min'"
    if not measure.at_time and limit.at_time is not None:
        return "at_time", f"at_time is for creep and load lost, not for {measure.name}"
    return None


def _wrong_block(limit: LimitConfig, block: Block) -> tuple[str, str] | None:
    if limit.statistic == "change" and getattr(block, "baseline", None) is None:
        return "statistic", f"block '{block.name}' of the plan has no baseline to take the change from"
    if limit.at_time is not None and limit.at_time not in getattr(block, "report_at", (limit.at_time,)):
        return "at_time", f"block '{block.name}' does not report at {limit.at_time:g} s: add it to report_at"
    return None


def _nothing_to_forecast(limit: LimitConfig, run: RunConfig) -> tuple[str, str] | None:
    """Cycles left are those to another limit of the measure."""
    if limit.statistic != "cycles_left":
        return None
    for block in blocks_of(limit, measures_of(run)[limit.measure], run):
        others = (one for s in run.limits for one in s.config.limit if one.block in (block.name, block.kind))
        if not any(found.measure == limit.measure for one in others for found in drift_limits(one)):
            what = f"no other limit of {limit.measure} can be forecast: 'cycles_left' are those to a change, median, "
            return "statistic", what + "mean or last value that is limited"
    return None


def blocks_of(limit: LimitConfig, measure: Measure, run: RunConfig) -> list[Block]:
    """Blocks of the plan that a limit is for: the one it names, or all of the kind it names."""
    named = [b for b in run.plan.block if b.name == limit.block or b.kind == limit.block]
    return [b for b in named if b.kind == measure.kind]
