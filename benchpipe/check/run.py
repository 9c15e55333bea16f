"""All limits of a run → the verdicts table, and the budgets behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from itertools import takewhile
from typing import Any

import pyarrow as pa
from pydantic import Field

from benchpipe.blocks.base import Events
from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.run_cycles import end_of
from benchpipe.blocks.left_out import LogClock
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.registry import kind_of, kinds_of
from benchpipe.blocks.run_tables import RunTables
from benchpipe.blocks.state import NoHold
from benchpipe.blocks.values import Values, nothing
from benchpipe.check.block_noise import Noises
from benchpipe.check.case import Case, Judged, rule_of, window_of_limit
from benchpipe.check.decision import NOT_APPLICABLE
from benchpipe.check.drift_limits import judge_drift
from benchpipe.check.judge import judge, not_judged
from benchpipe.check.measures import measures_of
from benchpipe.check.of_run import NotThere, out_of_calibration, run_figure
from benchpipe.check.rows import budget_rows, verdict_row
from benchpipe.check.rules import decide
from benchpipe.check.validate_limits import blocks_of, limit_unit
from benchpipe.config.limits import OF_DRIFT, LimitConfig, LimitSet
from benchpipe.plan import Block
from benchpipe.run import RunConfig
from benchpipe.samples.stream import matches
from benchpipe.steps import Night, StepKind, StepResult, StepTask
from benchpipe.store.manifest import Manifest, Remark
from benchpipe.store.pauses import RunClock
from benchpipe.store.state import State
from benchpipe.tables import schema

VERSION = 10
STEP = "check"
JudgedRow = tuple[dict[str, Any], list[dict[str, Any]]]


class CheckOutcome(State):
    """One verdict in short, which outlives the table: states are compared by it."""

    limits_file: str
    limit: str
    block: str
    verdict: str
    due: bool
    measured: float | None
    unit: str


class CheckState(State):
    """All verdicts in short, and the day they are of where a limit asks for it. No night reads it: verdicts are made of
    tables alone."""

    today: str = ""
    verdicts: tuple[CheckOutcome, ...] = Field(default=(), strict=False)


def _settings(night: Night) -> dict[str, Any]:
    """Limits, rig and plan; the day, where a limit asks for it."""
    run = _with_clock(night.run, night.manifest)
    drift = night.manifest.steps.get("drift")
    return {
        "limits": [limits.config.model_dump(mode="json") for limits in run.limits],
        "rig": run.rig.model_dump(mode="json", exclude={"log", "name"}),
        "blocks": [b.model_dump(mode="json") for b in run.plan.block],
        "today": night.today.isoformat() if asks_for_calibration(run) else "",
        **({"drift": drift.key} if drift is not None and _asks_for_drift(run) else {}),
    }


def check_run(task: StepTask[CheckState]) -> StepResult[CheckState]:
    """Judge a run against its limits."""
    run, manifest = _with_clock(task.run, task.manifest), task.manifest
    tables = RunTables(task.store, manifest)
    rows = [row for limits in run.limits for row in _rows(limits, run, manifest, tables, task.today)]
    parts = []
    for name, content in (("verdicts", [row for row, _ in rows]), ("budgets", [b for _, some in rows for b in some])):
        parts.append(task.store.write(name, pa.Table.from_pylist(content, schema=schema(name)), task.key))
    short = tuple(CheckOutcome(**{name: row[name] for name in CheckOutcome.model_fields}) for row, _ in rows)
    today = task.today.isoformat() if asks_for_calibration(run) else ""
    state = CheckState(today=today, verdicts=short)
    return StepResult(state, tuple(parts), (*_without_hold(run, tables), *_calibrations(run, manifest)))


def _with_clock(run: RunConfig, manifest: Manifest) -> RunConfig:
    """The run with the steps of its clock, where the logs show them and the rig file does not say them."""
    ticks = [source.stamps.tick_us for source in manifest.sources if source.stamps is not None]
    if run.rig.time.resolution is not None or not any(ticks):
        return run
    time = run.rig.time.model_copy(update={"resolution": max(ticks) * 1e-6})
    return replace(run, rig=run.rig.model_copy(update={"time": time}))


def _without_hold(run: RunConfig, tables: RunTables) -> Iterator[Remark]:
    """Blocks whose hold should be there by now and is not, and why."""
    for block in run.plan.block:
        why = tables.state(block.name, NoHold).no_hold
        if why is not None and not _under_way(block, run, tables):
            yield Remark(step=STEP, code="no-hold", where=block.name, count=1, text=f"no hold: {why}")


def _calibrations(run: RunConfig, manifest: Manifest) -> Iterator[Remark]:
    """Logs that no calibration in date covers."""
    found = list(out_of_calibration(run, manifest))
    if found:
        file, text = found[0]
        more = f", and {len(found) - 1:,} more" if len(found) > 1 else ""
        yield Remark(step=STEP, code="out-of-calibration", where=file, count=len(found), text=f"{text}{more}")


def _asks_for_drift(run: RunConfig) -> bool:
    return any(limit.statistic in OF_DRIFT for s in run.limits for limit in s.config.limit)


def asks_for_calibration(run: RunConfig) -> bool:
    """Whether a limit is on the days to the next calibration: the verdicts depend on the date then."""
    known = measures_of(run)
    return any(known[limit.measure].today for s in run.limits for limit in s.config.limit)


def _rows(limits: LimitSet, run: RunConfig, manifest: Manifest, tables: RunTables, today: date) -> Iterator[JudgedRow]:
    noises, known = Noises(tables), measures_of(run)
    time = run.rig.time
    clock = LogClock(time.sample_rate, RunClock.of(manifest).ends_us, time.kind == "sample")
    for limit in limits.config.limit:
        measure = known[limit.measure]

        def case_of(block: Block, limit: LimitConfig = limit, measure: Measure = measure) -> Case:
            gone_on = _gone_on(block, run, tables)
            others = _others(block, run)
            return Case(limit, limits.config, measure, run.rig, block, tables, noises, clock, gone_on, others)

        if measure.kind == "run":
            yield _row(limit, limits, run, measure, "run", _of_run(case_of(run.plan.block[0]), run, manifest, today))
            continue
        blocks = blocks_of(limit, measure, run)
        if not blocks:
            why = f"{NOT_APPLICABLE}: the plan has no {measure.kind} block"
            judged = not_judged(case_of(run.plan.block[0]), why, due=False)
            yield _row(limit, limits, run, measure, limit.block, judged)
        for block in blocks:
            started = any(s.rows and matches(s.file, block.files) for s in manifest.sources)
            case = case_of(block)
            of_drift = limit.statistic in OF_DRIFT and started
            judged = judge_drift(case) if of_drift else judge(case, _values(case, run, started=started))
            yield _row(limit, limits, run, measure, block.name, judged)


def _row(
    limit: LimitConfig, limits: LimitSet, run: RunConfig, measure: Measure, block: str, judged: Judged
) -> JudgedRow:
    unit = limit_unit(limit, measure, run)
    row = verdict_row(limit, limits.config, block, unit, judged)
    return row, list(budget_rows(limit, limits.config, block, unit, judged))


def _of_run(case: Case, run: RunConfig, manifest: Manifest, today: date) -> Judged:
    """The verdict on a measure of the run as a whole."""
    rule, window = rule_of(case.limit, case.limits), window_of_limit(case.limit)
    try:
        figure, used, remark = run_figure(case.measure.name, run, manifest, case.tables, today)
    except NotThere as missing:
        return not_judged(case, missing.why, due=missing.due)
    guards = figure.guards(rule, case.limit.statistic)
    return Judged(decide(figure.value, guards, window), figure, guards, rule, window, used=used, of=used, remark=remark)


def _values(case: Case, run: RunConfig, *, started: bool) -> Values:
    """The values that a limit is judged on."""
    if not started or case.measure.values is None:
        return nothing("no log of this block yet", due=False)
    return case.measure.values(case.asked(_under_way(case.block, run, case.tables)))


def _others(block: Block, run: RunConfig) -> tuple[Events, ...]:
    """What is numbered in blocks of other kinds, and says when they took place."""
    kinds = kinds_of(other.kind for other in run.plan.block if other.kind != block.kind)
    return tuple(kind.events for kind in kinds if kind.events is not None and kind.events.in_order)


def _after(block: Block, run: RunConfig) -> tuple[Block, ...]:
    """Blocks that the plan has after this one."""
    return run.plan.block[[other.name for other in run.plan.block].index(block.name) + 1 :]


def _gone_on(block: Block, run: RunConfig, tables: RunTables) -> bool:
    """Whether a block that the plan has after this one has begun."""
    return any(kind_of(other.kind).begun(tables, other.name) for other in _after(block, run))


def _under_way(block: Block, run: RunConfig, tables: RunTables) -> str:
    """How far the cycle test is that the plan has before this block; empty where none is under way."""
    if _gone_on(block, run, tables):  # this block's time is over
        return ""
    for before in takewhile(lambda other: other.name != block.name, run.plan.block):
        if isinstance(before, CyclicBlock) and before.planned_cycles is not None:
            end = end_of(before, tables)
            if end.detected > 0 and not end.over:
                return f"'{before.name}' before it is at {end.cycles:,} of {before.planned_cycles:,} cycles"
    return ""


CHECK = StepKind(
    name=STEP,
    version=VERSION,
    parents=("process",),
    tables=("verdicts", "budgets"),
    state=CheckState,
    settings=_settings,
    run=check_run,
)
