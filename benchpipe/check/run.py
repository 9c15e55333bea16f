"""All limits of a run → the verdicts table."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import takewhile
from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.check.decision import COVERAGE_FACTOR, Verdict, conformance_probability, decide, margin_of
from benchpipe.check.fitting import blocks_of, limit_unit
from benchpipe.check.measures import MEASURES, Measure
from benchpipe.check.uncertainty import calibration_u, single_u, spread_u
from benchpipe.check.values import RunTables, Values, collect, nothing
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.config.plan import Block, CyclicBlock
from benchpipe.config.run import LimitSet, RunConfig
from benchpipe.process.hold_levels import leak_over_levels
from benchpipe.process.order import CODES
from benchpipe.store.manifest import Manifest, Remark, Step, key_of
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import matches
from benchpipe.tables import schema

VERSION = 4
STEP = "check"
DAY_S = 86400.0
COUNTED = ("cycles_done", "lock_changes")  # a plan may ask for more of them: not due before


@dataclass(frozen=True)
class _Judged:
    """A value put together from many, with its expanded uncertainty."""

    value: float | None
    expanded_u: float | None
    first: int | None = None
    last: int | None = None
    used: int = 0
    of: int = 0
    due: bool = True
    remark: str = ""


def check_run(run: RunConfig, store: RunStore, manifest: Manifest, *, today: date) -> Manifest:
    """Judge a run against its limits.

    Parameters
    ----------
    today : date
        Calibration due dates are held against it.
    """
    settings = {
        "version": VERSION,
        "limits": [limits.config.model_dump(mode="json") for limits in run.limits],
        "channels": [c.model_dump(mode="json") for c in run.rig.channel],
        "blocks": [b.model_dump(mode="json") for b in run.plan.block],
        "process": manifest.steps["process"].key,
        "today": today.isoformat() if _asks_for_calibration(run) else "",
    }
    key = key_of(settings)
    before = manifest.steps.get(STEP)
    if before is not None and before.key == key:
        return manifest
    tables = RunTables(store, manifest)
    rows = [row for limits in run.limits for row in _rows(limits, run, manifest, tables, today)]
    table = pa.Table.from_pylist(rows, schema=schema("verdicts"))
    remarks = tuple(_without_hold(run, manifest, tables))
    step = Step(key=key, version=VERSION, parts=(store.write("verdicts", table, key),), remarks=remarks)
    return store.commit(manifest.model_copy(update={"steps": {**manifest.steps, STEP: step}}))


def _without_hold(run: RunConfig, manifest: Manifest, tables: RunTables) -> Iterator[Remark]:
    """Blocks whose hold should be there by now and is not, and why."""
    for block in run.plan.block:
        why = manifest.steps["process"].state.get(block.name, {}).get("no_hold")
        if why is not None and not _under_way(block, run, tables):
            yield Remark(step=STEP, code="no-hold", where=block.name, count=1, text=f"no hold: {why}")


def _asks_for_calibration(run: RunConfig) -> bool:
    return any(limit.measure == "days_to_calibration" for s in run.limits for limit in s.config.limit)


def _rows(limits: LimitSet, run: RunConfig, manifest: Manifest, tables: RunTables, today: date) -> list[dict[str, Any]]:
    rows = []
    for limit in limits.config.limit:
        measure = MEASURES[limit.measure]
        if measure.kind == "run":
            judged = _of_run(measure, run, manifest, tables, today)
            rows.append(_row(limit, limits.config, measure, run, "run", judged))
            continue
        blocks = blocks_of(limit, measure, run)
        if not blocks:
            judged = _Judged(None, None, due=False, remark=f"the plan has no {measure.kind} block")
            rows.append(_row(limit, limits.config, measure, run, limit.block, judged))
        for block in blocks:
            started = any(s.rows and matches(s.file, block.files) for s in manifest.sources)
            waits = _under_way(block, run, tables)
            values = collect(limit, measure, block.name, tables, started=started, waits=waits)
            if measure.name == "off_target" and isinstance(block, CyclicBlock) and block.targets is None:
                values = nothing("the plan has no targets for this block", due=True)
            judged = _judge(limit, limits.config, measure, run, block, values, tables)
            rows.append(_row(limit, limits.config, measure, run, block.name, judged))
    return rows


def _of_run(measure: Measure, run: RunConfig, manifest: Manifest, tables: RunTables, today: date) -> _Judged:
    """A measure of the run as a whole."""
    if measure.name == "plan_order_broken":
        return _order(run, manifest, tables)
    return _exponent(tables) if measure.name == "leak_exponent" else _calibration(run, today)


def _exponent(tables: RunTables) -> _Judged:
    """Exponent of the leak over levels of load; not due before three levels leak."""
    found = leak_over_levels(tables.whole("holds"))
    if not found.converged:
        return _Judged(None, None, due=False, remark="fewer than three levels of load have a leak")
    low, high = found.slope_interval
    return _Judged(found.slope, 0.5 * (high - low), used=found.n_used, of=found.n_used)


def _under_way(block: Block, run: RunConfig, tables: RunTables) -> str:
    """How far the cycle test is that the plan has before this block; empty where none is under way."""
    later = run.plan.block[[other.name for other in run.plan.block].index(block.name) + 1 :]
    if any(tables.begun(other) for other in later):  # the plan has gone on: this block's time is over
        return ""
    for before in takewhile(lambda other: other.name != block.name, run.plan.block):
        if isinstance(before, CyclicBlock):
            done = tables.last_cycle(before.name)
            if 0 < done < (before.planned_cycles or 0):
                return f"'{before.name}' before it is at {done:,} of {before.planned_cycles:,} cycles"
    return ""


def _judge(
    limit: LimitConfig,
    limits: LimitsConfig,
    measure: Measure,
    run: RunConfig,
    block: Block,
    values: Values,
    tables: RunTables,
) -> _Judged:
    good = np.isfinite(values.value)
    used = int(good.sum())
    first, last = (int(values.number[0]), int(values.number[-1])) if values.number.size else (None, None)
    if not values.due or used == 0:
        why = values.why or "none of the values could be measured"
        known = float(values.value[0]) if used and measure.name in COUNTED else None
        return _Judged(known, 0.0, first, last, used, values.of, values.due, why)
    if measure.name not in COUNTED and used < limits.least_measured * values.of:
        why = f"only {used:,} of {values.of:,} could be measured, {limits.least_measured:.0%} are asked for"
        return _Judged(None, None, first, last, used, values.of, True, why)
    if limit.statistic == "change" and isinstance(block, CyclicBlock):
        base = _baseline(limit, limits, measure, block, tables)
        if base.why:
            return _Judged(None, None, first, last, used, values.of, base.due, base.why)
        value, u = _change(values.value[good], base.value)
    else:
        value, u = _put_together(limit, measure, run, values, good)
    return _Judged(value, COVERAGE_FACTOR * u, first, last, used, values.of)


def _change(value: np.ndarray[Any, Any], base: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Median over baseline median, less one, and its standard uncertainty: calibration errors cancel."""
    now, start = float(np.median(value)), float(np.median(base))
    now_u, start_u = spread_u(value, of_median=True), spread_u(base, of_median=True)
    return now / start - 1.0, math.hypot(now_u / start, now * start_u / start**2)


def _baseline(
    limit: LimitConfig, limits: LimitsConfig, measure: Measure, block: CyclicBlock, tables: RunTables
) -> Values:
    """Values of the block's baseline window that could be measured; ``why`` where they give no baseline."""
    window = limit.model_copy(update={"cycles": block.baseline, "last_cycles": None})
    values = collect(window, measure, block.name, tables, started=True)
    if values.why:
        return nothing(f"the baseline is not full: {values.why}", due=values.due)
    known = values.value[np.isfinite(values.value)]
    if not known.size or known.size < limits.least_measured * values.of:
        return nothing(f"only {known.size:,} of {values.of:,} cycles of the baseline could be measured", due=True)
    if np.median(known) == 0.0:
        return nothing("the baseline is zero: no change from it is known", due=True)
    return replace(values, value=known)


def _put_together(
    limit: LimitConfig, measure: Measure, run: RunConfig, values: Values, good: np.ndarray[Any, Any]
) -> tuple[float, float]:
    """Value and standard uncertainty of the limit's statistic."""
    value, own = values.value[good], values.u[good]
    missed = values.sampling_u[good] if values.sampling_u is not None else np.zeros(value.size)
    if limit.statistic == "count":
        return float(value.sum() if measure.unit == "times" else value[-1]), 0.0
    if limit.statistic == "share":
        return float(value.mean()), 0.0
    if limit.statistic in ("max", "min", "last"):
        at = {"max": int(value.argmax()), "min": int(value.argmin()), "last": value.size - 1}[limit.statistic]
        result, missed_u = float(value[at]), float(missed[at])
        random_u = math.hypot(float(own[at]), single_u(value) if measure.kind == "cyclic" else 0.0)
    else:
        of_median = limit.statistic != "mean"
        result = float(np.median(value) if of_median else value.mean())
        missed_u = float(np.median(missed))  # common to all: averaging does not lower it
        single = math.sqrt(float(np.mean(own * own)) / own.size)  # few values show too little of their own spread
        random_u = float(np.maximum(spread_u(value, of_median=of_median), single))  # NaN stays NaN
    if not math.isfinite(random_u):
        return result, math.nan
    systematic = math.hypot(calibration_u(measure, run.rig, result, values), missed_u)
    return result, math.hypot(systematic, random_u)


def _calibration(run: RunConfig, today: date) -> _Judged:
    days = [(c.due - today).days for c in run.rig.channel if c.due is not None]
    if not days:
        return _Judged(None, None, remark="no channel of the rig file has a due date")
    return _Judged(min(days) * DAY_S, 0.0, used=len(days), of=len(days))


def _order(run: RunConfig, manifest: Manifest, tables: RunTables) -> _Judged:
    """How often the plan's order and pauses were broken; not due before two of its blocks are there."""
    there = [b for b in run.plan.block if tables.begun(b)]
    if len(there) < 2:
        return _Judged(None, None, due=False, remark="fewer than two blocks of the plan are there")
    broken = [r for r in manifest.steps["process"].remarks if r.code in CODES]
    remark = "; ".join(f"'{r.where}': {r.text}" for r in broken)
    return _Judged(float(len(broken)), 0.0, used=len(there), of=len(there), remark=remark)


def _row(
    limit: LimitConfig, limits: LimitsConfig, measure: Measure, run: RunConfig, block: str, judged: _Judged
) -> dict[str, Any]:
    exact = limit.statistic in ("count", "share")
    verdict = Verdict.NOT_EVALUATED
    if judged.due:
        verdict = decide(
            judged.value, judged.expanded_u, limit.operator, limit.value.value,
            guarded=limits.decision == "guarded" and not exact, guard=limits.guard,
        )  # fmt: skip
    measured = judged.value if judged.value is not None and math.isfinite(judged.value) else None
    u = judged.expanded_u if judged.expanded_u is not None and math.isfinite(judged.expanded_u) else None
    known = measured is not None and u is not None
    return {
        "limit": limit.name,
        "limits_file": limits.name,
        "block": block,
        "measure": limit.measure,
        "statistic": limit.statistic,
        "first": judged.first,
        "last": judged.last,
        "used": judged.used,
        "of": judged.of,
        "measured": measured,
        "expanded_u": u,
        "operator": limit.operator,
        "value": limit.value.value,
        "unit": limit_unit(limit, measure, run),
        "margin": margin_of(measured, limit.operator, limit.value.value) if measured is not None else None,
        "conformance": conformance_probability(measured, u / COVERAGE_FACTOR, limit.operator, limit.value.value)
        if known and measured is not None and u is not None
        else None,
        "verdict": str(verdict),
        "due": judged.due,
        "remark": judged.remark,
        "source": limit.source,
        "verified": limit.verified,
    }
