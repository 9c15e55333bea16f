"""All limits of a run → the verdicts table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pyarrow as pa

from benchpipe.check.decision import COVERAGE_FACTOR, Verdict, conformance_probability, decide, margin_of
from benchpipe.check.measures import MEASURES, Measure
from benchpipe.check.uncertainty import calibration_u, sampling_u, spread_u
from benchpipe.check.values import RunTables, Values, collect, nothing
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.config.model import together
from benchpipe.config.plan import Block, CyclicBlock, HoldBlock
from benchpipe.config.run import LimitSet, RunConfig
from benchpipe.errors import ConfigError, nearest
from benchpipe.process.signals import signal_units
from benchpipe.process.trends import NO_RATIO
from benchpipe.store.manifest import Manifest, Step, key_of
from benchpipe.store.run_store import RunStore
from benchpipe.store.samples import matches
from benchpipe.tables import schema, unit_text
from benchpipe.units import INSIDE_UNIT

VERSION = 1
STEP = "check"
DAY_S = 86400.0


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
    measure = MEASURES.get(limit.measure)
    if measure is None:
        return "measure", f"unknown measure '{limit.measure}'", nearest(limit.measure, list(MEASURES))
    kinds = {b.name: b.kind for b in run.plan.block}
    kind = kinds.get(limit.block, limit.block)
    if kind != measure.kind:
        fitting = [name for name, k in kinds.items() if k == measure.kind]
        what = f"{measure.name} is a measure of {measure.kind} blocks, '{limit.block}' is not one"
        return "block", what, "known: " + ", ".join(dict.fromkeys([measure.kind, *fitting]))
    wrong = _wrong_statistic(limit, measure) or _wrong_window(limit, measure)
    expected = _unit(limit, measure, run)
    if wrong is None and INSIDE_UNIT[limit.value.quantity] != expected:
        what = f"the value is in {limit.value.unit}, {measure.name} ({limit.statistic}) in {expected}"
        return "value", what, f"a value in {expected}"
    wrong = wrong or next(filter(None, (_wrong_block(limit, b) for b in blocks_of(limit, measure, run))), None)
    return (*wrong, None) if wrong else None


def _unit(limit: LimitConfig, measure: Measure, run: RunConfig) -> str:
    if limit.statistic in ("change", "share"):
        return "1"
    return unit_text(measure.unit, signal_units(run.rig))


def _wrong_statistic(limit: LimitConfig, measure: Measure) -> tuple[str, str] | None:
    if (limit.statistic == "count") != (measure.name == "cycles_done"):
        return "statistic", "'count' goes with cycles_done, and only with it"
    if (limit.statistic == "share") != (measure.name == "off_target"):
        return "statistic", "'share' goes with off_target, and only with it"
    if limit.statistic == "change" and (measure.kind != "cyclic" or measure.name in NO_RATIO):
        return "statistic", f"'change' is a ratio to the baseline, which {measure.name} does not have"
    return None


def _wrong_window(limit: LimitConfig, measure: Measure) -> tuple[str, str] | None:
    window = next((key for key in ("last_cycles", "cycles") if getattr(limit, key) is not None), None)
    if window and (measure.kind != "cyclic" or limit.statistic == "count"):
        return window, f"{measure.name} is not taken over some cycles"
    if measure.name == "creep" and limit.at_time is None:
        return "measure", "creep needs at_time, such as '10 min'"
    if measure.name != "creep" and limit.at_time is not None:
        return "at_time", f"at_time is for creep, not for {measure.name}"
    return None


def _wrong_block(limit: LimitConfig, block: Block) -> tuple[str, str] | None:
    if limit.statistic == "change" and isinstance(block, CyclicBlock) and block.baseline is None:
        return "statistic", f"block '{block.name}' of the plan has no baseline to take the change from"
    if isinstance(block, HoldBlock) and limit.at_time is not None and limit.at_time not in block.report_at:
        return "at_time", f"block '{block.name}' does not report creep at {limit.at_time:g} s: add it to report_at"
    return None


def blocks_of(limit: LimitConfig, measure: Measure, run: RunConfig) -> list[Block]:
    """Blocks of the plan that a limit is for: the one it names, or all of the kind it names."""
    named = [b for b in run.plan.block if b.name == limit.block or b.kind == limit.block]
    return [b for b in named if b.kind == measure.kind]


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
    tables = RunTables(lambda name: store.read(manifest, name))
    rows = [row for limits in run.limits for row in _rows(limits, run, manifest, tables, today)]
    table = pa.Table.from_pylist(rows, schema=schema("verdicts"))
    step = Step(key=key, version=VERSION, parts=(store.write("verdicts", table, key),))
    return store.commit(manifest.model_copy(update={"steps": {**manifest.steps, STEP: step}}))


def _asks_for_calibration(run: RunConfig) -> bool:
    return any(limit.measure == "days_to_calibration" for s in run.limits for limit in s.config.limit)


def _rows(
    limits: LimitSet, run: RunConfig, manifest: Manifest, tables: RunTables, today: date
) -> list[dict[str, Any]]:
    rows = []
    for limit in limits.config.limit:
        measure = MEASURES[limit.measure]
        if measure.kind == "run":
            rows.append(_row(limit, limits.config, measure, run, "run", _calibration(run, today)))
            continue
        blocks = blocks_of(limit, measure, run)
        if not blocks:
            judged = _Judged(None, None, due=False, remark=f"the plan has no {measure.kind} block")
            rows.append(_row(limit, limits.config, measure, run, limit.block, judged))
        for block in blocks:
            started = any(s.samples and matches(s.file, block.files) for s in manifest.sources)
            values = collect(limit, measure, block.name, tables, started=started)
            judged = _judge(limit, limits.config, measure, run, block, values, tables)
            rows.append(_row(limit, limits.config, measure, run, block.name, judged))
    return rows


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
        known = float(values.value[0]) if used and measure.name == "cycles_done" else None
        return _Judged(known, 0.0, first, last, used, values.of, values.due, why)
    if measure.name != "cycles_done" and used < limits.least_measured * values.of:
        why = f"only {used:,} of {values.of:,} could be measured, {limits.least_measured:.0%} are asked for"
        return _Judged(None, None, first, last, used, values.of, True, why)
    value, u = _put_together(limit, measure, run, values, good)
    if limit.statistic == "change" and isinstance(block, CyclicBlock):
        base = _baseline(limit, measure, block, tables)
        if base.why or base.value.size == 0:
            return _Judged(None, None, first, last, used, values.of, base.due, base.why or "no baseline value")
        start = float(np.median(base.value))
        if start == 0.0:
            return _Judged(None, None, first, last, used, values.of, True, "the baseline is zero: no change is known")
        relative = math.hypot(
            spread_u(values.value[good], of_median=True) / abs(value) if value else math.inf,
            spread_u(base.value, of_median=True) / abs(start),
        )
        value, u = value / start - 1.0, abs(value / start) * relative
    return _Judged(value, COVERAGE_FACTOR * u, first, last, used, values.of)


def _baseline(limit: LimitConfig, measure: Measure, block: CyclicBlock, tables: RunTables) -> Values:
    """Values of the block's baseline window."""
    window = limit.model_copy(update={"cycles": block.baseline, "last_cycles": None})
    values = collect(window, measure, block.name, tables, started=True)
    if values.why:
        return nothing(f"the baseline is not full: {values.why}", due=values.due)
    good = np.isfinite(values.value)
    return Values(values.number[good], values.value[good], values.u[good], values.of)


def _put_together(
    limit: LimitConfig, measure: Measure, run: RunConfig, values: Values, good: np.ndarray[Any, Any]
) -> tuple[float, float]:
    """Value and standard uncertainty of the limit's statistic."""
    value, own = values.value[good], values.u[good]
    if limit.statistic == "count":
        return float(value[-1]), 0.0
    if limit.statistic == "share":
        return float(value.mean()), 0.0
    if limit.statistic in ("max", "min", "last"):
        at = {"max": int(value.argmax()), "min": int(value.argmin()), "last": value.size - 1}[limit.statistic]
        result, random_u = float(value[at]), float(own[at])
    elif limit.statistic == "mean":
        result, random_u = float(value.mean()), spread_u(value, of_median=False)
    else:
        result, random_u = float(np.median(value)), spread_u(value, of_median=True)
    if not math.isfinite(random_u):
        return result, math.nan
    systematic = math.hypot(calibration_u(measure, run.rig, result, values), sampling_u(measure, result, values))
    return result, math.hypot(systematic, random_u)


def _calibration(run: RunConfig, today: date) -> _Judged:
    days = [(c.due - today).days for c in run.rig.channel if c.due is not None]
    if not days:
        return _Judged(None, None, remark="no channel of the rig file has a due date")
    return _Judged(min(days) * DAY_S, 0.0, used=len(days), of=len(days))


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
        "unit": _unit(limit, measure, run),
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
