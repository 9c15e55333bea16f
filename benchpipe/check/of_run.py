"""Measures of a run as a whole: its order, its calibrations, the leak over its holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from benchpipe.blocks.hold.levels import leak_over_levels
from benchpipe.blocks.registry import kind_of
from benchpipe.blocks.run_tables import RunTables
from benchpipe.check.budget import Budget, BudgetPart
from benchpipe.check.decision import NOT_APPLICABLE
from benchpipe.check.figure import SCATTER, JudgedFigure
from benchpipe.check.rig_parts import day_of
from benchpipe.config.channel import ChannelConfig
from benchpipe.process.order import CODES, UNKNOWN, in_order
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest

DAY_S = 86_400.0
DAY = timedelta(days=1)


class NotThere(Exception):
    """The run has no such figure: why, and whether it should have by now."""

    def __init__(self, why: str, *, due: bool) -> None:
        super().__init__(why)
        self.why, self.due = why, due


def run_figure(
    name: str, run: RunConfig, manifest: Manifest, tables: RunTables, today: date
) -> tuple[JudgedFigure, int, str]:
    """Figure of a measure of the run, how many things it was made of, and a remark.

    Raises
    ------
    NotThere
        The run does not have it.
    """
    if name == "plan_order_broken":
        return _order(run, manifest, tables)
    if name == "leak_exponent":
        return _exponent(run, tables)
    if name == "logs_out_of_calibration":
        return _logs_out(run, manifest)
    return _days(run, today)


def _order(run: RunConfig, manifest: Manifest, tables: RunTables) -> tuple[JudgedFigure, int, str]:
    """How often the plan's order and pauses were broken; not due before two of its blocks are there."""
    if sum(in_order(b) for b in run.plan.block) < 2:
        raise NotThere(f"{NOT_APPLICABLE}: the plan has fewer than two blocks with an order", due=False)
    there = [b for b in run.plan.block if kind_of(b.kind).begun(tables, b.name)]
    if len(there) < 2:
        raise NotThere("fewer than two blocks of the plan are there", due=False)
    remarks = manifest.steps["process"].remarks
    broken = [r for r in remarks if r.code in CODES]
    unknown = [f"'{r.where}': {r.text}" for r in remarks if r.code == UNKNOWN]
    if unknown and not broken:
        raise NotThere("; ".join(unknown), due=True)
    return _exact(float(len(broken))), len(there), "; ".join(f"'{r.where}': {r.text}" for r in broken)


def _exact(value: float) -> JudgedFigure:
    return JudgedFigure(value, Budget((BudgetPart("counted", 0.0),)))


def _exponent(run: RunConfig, tables: RunTables) -> tuple[JudgedFigure, int, str]:
    """Exponent of the leak over levels of load; not due before three levels leak."""
    if not any(block.kind == "hold" for block in run.plan.block):
        raise NotThere(f"{NOT_APPLICABLE}: the plan has no hold block", due=False)
    found = leak_over_levels(tables.whole("holds"))
    if not found.converged:
        raise NotThere("fewer than three levels of load have a leak", due=False)
    low, high = found.slope_interval
    figure = JudgedFigure(
        found.slope, Budget((BudgetPart(SCATTER, 0.25 * (high - low), note=f"{found.n_used} levels"),))
    )
    return figure, found.n_used, ""


def _days(run: RunConfig, today: date) -> tuple[JudgedFigure, int, str]:
    """Time until the first calibration is due; a channel without a due date is not in date."""
    channels = {run.rig.load.channel, run.rig.motion.channel}
    without = [c.name for c in run.rig.channel if c.name in channels and c.due is None]
    if without:
        raise NotThere(f"channel '{without[0]}' of the rig file has no due date", due=True)
    days = [(c.due - today).days for c in run.rig.channel if c.due is not None]
    return _exact(min(days) * DAY_S), len(days), ""


def _logs_out(run: RunConfig, manifest: Manifest) -> tuple[JudgedFigure, int, str]:
    if not run.rig.time.dated:
        raise NotThere("the log's time has no dates", due=True)
    used = {run.rig.load.channel, run.rig.motion.channel}
    for channel in run.rig.channel:
        if channel.name in used and channel.calibrated is None and channel.due is None and not channel.calibration:
            raise NotThere(f"channel '{channel.name}' of the rig file has no date of calibration", due=True)
    found = list(out_of_calibration(run, manifest))
    files = {file for file, _ in found}
    return _exact(float(len(files))), len(manifest.sources), "; ".join(text for _, text in found[:3])


def out_of_calibration(run: RunConfig, manifest: Manifest) -> Iterator[tuple[str, str]]:
    """Logs that were written before a channel was calibrated or after it was due again: file, and what is wrong."""
    if not run.rig.time.dated:
        return
    shifts = {placed.file: placed.shift_us for placed in manifest.placed}
    used = {run.rig.load.channel, run.rig.motion.channel, run.rig.temperature}
    for source in manifest.sources:
        if source.first_us is None or source.last_us is None:
            continue
        first, last = (day_of(us + shifts.get(source.file, 0)) for us in (source.first_us, source.last_us))
        for channel in run.rig.of_file(source.file).channel:
            if channel.name in used and (what := _out(channel, first, last)):
                yield source.file, f"{source.file}: {what}"


def _out(channel: ChannelConfig, first: date, last: date) -> str:
    """What is wrong with the dates of a log; empty where nothing is, or nothing is known."""
    if channel.calibrated is not None and first < channel.calibrated:
        return f"of {first}, before '{channel.name}' was calibrated on {channel.calibrated}"
    known = channel.calibrations
    begins = [one.valid_from or date.min for one in known]
    if first < begins[0]:
        return f"of {first}, before the first calibration of '{channel.name}' on {begins[0]}"
    ends = [*begins[1:], date.max]
    for one, begin, end in zip(known, begins, ends, strict=True):
        until = min(last, end - DAY)  # the last day of the log that this calibration is for
        if one.due is not None and until > one.due and until >= max(first, begin):
            return f"of {until}, after the calibration of '{channel.name}' was due on {one.due}"
    return ""
