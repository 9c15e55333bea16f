"""Limits on drift: slope, size of a step, cycles left to a limit; from the tables of drift.

What drift does not know is no pass. A slope that cannot be told from warmth, a step that would not be seen, and a
forecast that is open or was not made leave a limit inconclusive or not evaluated.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from math import exp, inf, isfinite, isnan, log, nan
from statistics import NormalDist
from typing import Any

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.cyclic.run_cycles import end_of, last_cycle
from benchpipe.check.budget import Budget, BudgetPart
from benchpipe.check.case import Case, Judged
from benchpipe.check.decision import Verdict
from benchpipe.check.figure import JudgedFigure
from benchpipe.check.judge import not_judged, unconfirmed
from benchpipe.check.rules import Guards, decide
from benchpipe.drift.measures import CYCLIC
from benchpipe.kernels.onset_laws import AHEAD

Row = Mapping[str, Any]
OF_INTERVAL = 1.96
"""Half of an interval at 95 % over its standard uncertainty."""
PHASES = ("steady", "wear-out")
WARMTH = "wear is not separable from warmth: no coefficient of temperature is known"
MEASURES = frozenset(w.name for w in CYCLIC)


def judge_drift(case: Case) -> Judged:
    """Judge a limit on slope, step or cycles left."""
    rules: dict[str, Callable[[Case], Judged]] = {"slope": _slope, "step": _step, "cycles_left": _left}
    return unconfirmed(case, rules[case.limit.statistic](case))


def _rows(case: Case, table: str) -> list[dict[str, Any]]:
    rows = case.tables.block(table, case.block.name).to_pylist()
    return [row for row in rows if row["measure"] == case.measure.name]


def _over(case: Case) -> bool:
    """Has the block all cycles of the plan?"""
    block = case.block
    if not isinstance(block, CyclicBlock) or block.planned_cycles is None:
        return case.gone_on
    return end_of(block, case.tables).over or case.gone_on


def _nothing(case: Case, why: str) -> Judged:
    """Not evaluated; not due while more cycles are to come."""
    return not_judged(case, why, due=_over(case))


def _guards(case: Case, below: float, above: float, factor: float = OF_INTERVAL) -> Guards:
    """Guard bands from the parts of an interval below and above a value."""
    if not case.rule.guarded:
        return Guards(0.0, 0.0)
    wide = -NormalDist().inv_cdf(case.rule.risk) / factor
    return Guards(above * wide, below * wide)


def _budget(name: str, low: float, high: float, factor: float = OF_INTERVAL) -> Budget:
    u = (high - low) / (2.0 * factor)
    return Budget((BudgetPart(name, u if isfinite(u) else nan, note="from the interval in the tables of drift"),))


def _doubtful(case: Case, judged: Judged, why: str) -> Judged:
    """Neither pass nor fail where the rule takes uncertainty into account."""
    decided = judged.verdict in (Verdict.PASS, Verdict.FAIL)
    if not (why and decided and case.rule.guarded):
        return judged
    return replace(judged, verdict=Verdict.INCONCLUSIVE, remark=why)


def _slope(case: Case) -> Judged:
    """Slope per million cycles of the phases after run-in: the one with the least room to the limit."""
    found = _rows(case, "phases")
    if not found:
        return _nothing(case, "drift was not analysed: 40 bins of time with values are needed")
    phases = [row for row in found if row["phase"] in PHASES]
    if not phases:
        return _nothing(case, "run-in has not been seen to end: there is no slope of wear yet")
    judged = [_one_slope(case, row) for row in phases]
    known = [one for one in judged if one.value is not None]
    return min(known, key=lambda one: _room(case, one)) if len(known) == len(judged) else judged[-1]


def _room(case: Case, judged: Judged) -> float:
    value = judged.figure.value
    return min(value - case.window.low - judged.guards.below, case.window.high - value - judged.guards.above)


def _one_slope(case: Case, row: Row) -> Judged:
    value, low, high = (row[name] for name in ("slope_per_million", "slope_low", "slope_high"))
    if value is None or low is None or high is None:
        return _nothing(case, f"too few independent values in the phase '{row['phase']}' for a slope with an interval")
    guards = _guards(case, value - low, high - value)
    figure = JudgedFigure(value, _budget("slope", low, high), note=f"a million cycles, phase '{row['phase']}'")
    n = row["last"] - row["first"] + 1
    verdict = decide(value, guards, case.window)
    made = Judged(
        verdict, figure, guards, case.rule, case.window, row["first"], row["last"], n, n, remark=figure.note
    )  # fmt: skip
    return _doubtful(case, made, WARMTH if row["coefficient_per_k"] is None else "")


def _step(case: Case) -> Judged:
    """The largest step that is no planned work and that no note explains; without one, what would have been seen."""
    since = next((row for row in _rows(case, "phases") if row["phase"] == "since baseline"), None)
    if since is None:
        return _nothing(case, "drift was not analysed: 40 bins of time with values are needed")
    steps = [row for row in _rows(case, "events") if row["kind"] in ("step", "backlash") and row["found"] != "log"]
    online = [row for row in steps if row["low"] is not None and row["high"] is not None]
    seen = since["step_seen"]
    largest = max(online, key=lambda row: abs(row["size"]), default=None)
    if largest is None:
        below, above, value, note = 0.0, seen if seen is not None else nan, 0.0, "no step was found"
        guards = Guards(above, 0.0) if case.rule.guarded else Guards(0.0, 0.0)
    else:
        value = abs(largest["size"])
        ends = sorted((abs(largest["low"]), abs(largest["high"])))
        below, above = max(value - ends[0], 0.0), max(ends[1] - value, 0.0)
        guards, note = _guards(case, below, above), f"step at cycle {largest['cycle']:,}"
    figure = JudgedFigure(value, _budget("size of the step", value - below, value + above), note=note)
    verdict = Verdict.INCONCLUSIVE if isnan(above) else decide(value, guards, case.window)
    at = f"cycle {largest['cycle']:,}" if largest is not None else ""
    n = since["last"] - since["first"] + 1
    made = Judged(
        verdict, figure, guards, case.rule, case.window, since["first"], since["last"], n, n, remark=note, at=at
    )  # fmt: skip
    if verdict is Verdict.FAIL:
        return made
    bound = case.window.high
    if any(abs(row["size"]) > bound for row in steps if row not in online):
        return replace(made, verdict=Verdict.INCONCLUSIVE, remark="the search over the whole history has a larger one")
    if seen is None:
        why = "too many bins cannot be used, or too few days: a step among them would not be seen"
        return replace(made, verdict=Verdict.INCONCLUSIVE, remark=why)
    if seen > bound:
        why = f"steps below {100.0 * seen:.2g} % would not be seen for certain"
        return replace(made, verdict=Verdict.INCONCLUSIVE, remark=why)
    return made


def _left(case: Case) -> Judged:
    """Cycles from now to the first crossing of a limit of the measure, by the lower end of its forecast for a pass."""
    rows = _rows(case, "forecasts")
    now = last_cycle(case.tables, case.block.name)
    if not rows:
        return _nothing(case, "nothing was forecast: the plan states no planned_cycles, or drift was not analysed")
    unknown = [row for row in rows if not row["crossed"] and row["low"] is None]
    if unknown:
        return _nothing(case, unknown[0]["remark"] or "no forecast")
    row = min(rows, key=_soonest)
    low, middle, high = (_ahead(row, name, now) for name in ("low", "cycle", "high"))
    horizon = AHEAD * now
    value = min(middle, horizon)
    wide = -NormalDist().inv_cdf(case.rule.risk) / 1.645 if case.rule.guarded else 0.0
    least = _beyond(value, min(low, horizon), wide)
    most = inf if high > horizon else _beyond(value, high, wide)
    guards = Guards(most - value if isfinite(most) else inf, value - least)
    if not case.rule.guarded:
        guards = Guards(0.0, 0.0)
    verdict = _decided_left(case, value, least, most)
    words = "crossed today" if row["crossed"] else "to the forecast crossing of its limit"
    note = words if isfinite(middle) and middle <= horizon else f"{words}; none in sight within ten times the history"
    figure = JudgedFigure(value, _budget("forecast", low, high, 1.645), note=note)
    return Judged(
        verdict, figure, Guards(*(g if isfinite(g) else nan for g in guards)), case.rule, case.window, None, now, now,
        now, remark=note, bound="" if middle <= horizon else "at least",
    )  # fmt: skip


def _decided_left(case: Case, value: float, least: float, most: float) -> Verdict:
    """Pass by the lower end, fail by the upper one; an open upper end fails nothing and passes nothing."""
    limit = case.window.low
    if not isfinite(value):
        return Verdict.NOT_EVALUATED
    if least >= limit:
        return Verdict.PASS
    return Verdict.FAIL if most < limit else Verdict.INCONCLUSIVE


def _soonest(row: Row) -> float:
    return -inf if row["crossed"] else float(row["low"])


def _ahead(row: Row, name: str, now: int) -> float:
    """Cycles from now on to an end of the forecast."""
    value = row[name]
    if value is None:
        return 0.0 if row["crossed"] else inf
    return max(float(value) - now, 0.0)


def _beyond(value: float, end: float, wide: float) -> float:
    """An end of the interval at the rule's risk: ratios of the cycles left are wider, so that none is below nought."""
    if not wide:
        return value
    if end <= 0.0 or value <= 0.0:
        return max(end, 0.0)
    return value * exp(log(end / value) * wide)


def drift_misfit(case_statistic: str, measure: str, operator: str) -> tuple[str, str] | None:
    """Key and what is wrong with a limit on drift; None where it fits."""
    if measure not in MEASURES:
        return "measure", f"'{case_statistic}' is of measures whose drift is watched, which {measure} is not"
    wanted: dict[str, Iterable[str]] = {"step": ("<=",), "cycles_left": (">=",)}
    allowed = wanted.get(case_statistic, ("<=", ">=", "within"))
    if operator not in allowed:
        return "operator", f"'{case_statistic}' goes with {' or '.join(allowed)}"
    return None
