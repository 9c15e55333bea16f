"""One limit on one block: what was measured, what was not, and the verdict by the limit's rule.

The order matters: what surviving samples already break fails, whatever is missing; what they cannot prove is
inconclusive; only what every cycle, hold or sweep shows passes.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.blocks.left_out import (
    BOUNDS,
    INCOMPLETE,
    NAMES,
    NONE,
    LeftOut,
    accepted_rows,
    counted,
    listed,
    not_accepted,
)
from benchpipe.blocks.registry import kind_of
from benchpipe.blocks.values import Values
from benchpipe.check.case import Case, Judged
from benchpipe.check.change import base_of, baseline_values, change_figure
from benchpipe.check.decision import Verdict
from benchpipe.check.drafted import drafted_keys
from benchpipe.check.extremes import exception_guards
from benchpipe.check.figure import JudgedFigure, figure_of_values
from benchpipe.check.reading_noise import FEW_READINGS
from benchpipe.check.rig_parts import not_stated
from benchpipe.check.rules import Guards, allowed_exceptions, decide, decide_exceptions, margin_of
from benchpipe.config.limits import LimitConfig

MOST_LOST = 0.05  # of the rows of a hold, sweep, window or proof: with more, a figure of many rows is not its own
MOST_NAMED = 8  # items beyond a limit that are listed by name


def not_judged(case: Case, why: str, *, due: bool, of: int = 0, value: float = math.nan) -> Judged:
    """The verdict where there is nothing to compare."""
    nothing_known = Guards(math.nan, math.nan)
    return Judged(
        Verdict.NOT_EVALUATED, JudgedFigure(value), nothing_known, case.rule, case.window, of=of, due=due, remark=why
    )


def judge(case: Case, values: Values) -> Judged:
    """Judge a limit on the values it asks for; one that hangs on values drafted from a log is not evaluated."""
    return unconfirmed(case, _judged(case, values))


def unconfirmed(case: Case, judged: Judged) -> Judged:
    """No verdict where keys of the plan that decide it were drafted from a log and are not confirmed."""
    keys = drafted_keys(case.limit, case.measure, case.block)
    if not keys or not judged.due or judged.verdict is Verdict.NOT_EVALUATED:
        return judged
    why = f"{', '.join(keys)} drafted from the log: confirm in the plan (remove from 'drafted' of '{case.block.name}')"
    return replace(judged, verdict=Verdict.NOT_EVALUATED, remark=why)


def _judged(case: Case, values: Values) -> Judged:
    if not values.due:
        known = float(values.value[0]) if values.value.size else math.nan
        return not_judged(case, values.why, due=False, of=values.of, value=known)
    if not np.isfinite(values.value).any():
        why = values.why or "none of the values could be measured"
        left_out = listed(counted(values.reason, values.called))
        why = f"{why}: {left_out}" if left_out and not values.why else why
        judged = _described(case, values, not_judged(case, values.doubt or why, due=True, of=values.of))
        return replace(judged, verdict=Verdict.INCONCLUSIVE) if values.doubt else judged
    rules = {"count": _count, "share": _share, "max": _extreme, "min": _extreme}
    judged = rules.get(case.limit.statistic, _middle)(case, values)
    if values.doubt and judged.verdict is Verdict.PASS:
        judged = replace(judged, verdict=Verdict.INCONCLUSIVE, remark=values.doubt)
    return _described(case, values, _with_breaking(case, values, judged))


def _with_breaking(case: Case, values: Values, judged: Judged) -> Judged:
    """A fail with every hold, sweep, window, proof or lock change that lies beyond the limit, and the first of them."""
    if judged.verdict is not Verdict.FAIL or not values.names:
        return judged
    size = np.abs(values.value) if case.measure.absolute else values.value
    if case.limit.statistic == "count":
        beyond = np.isfinite(size) & (size > 0.0) & (case.measure.unit == "times")
    else:
        beyond = np.isfinite(size) & ((size < judged.window.low) | (size > judged.window.high))
    names = [values.called(int(k)) for k in np.flatnonzero(beyond)]
    if not names:
        return judged
    last = names[-1] if case.limit.statistic == "last" else names[0]
    shown = ", ".join(names[:MOST_NAMED]) + (f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else "")
    alone = values.value.size == 1 or (case.limit.statistic == "last" and len(names) == 1)
    why = "" if alone else f"beyond it: {shown}"
    return replace(judged, at=judged.at or last, remark="; ".join(filter(None, (why, judged.remark))))


def _described(case: Case, values: Values, judged: Judged) -> Judged:
    """With the window, what was used of it and what was left out."""
    left_out = counted(values.reason, values.called, uncounted=values.uncounted, where="while nothing was logged")
    first, last = (int(values.number[0]), int(values.number[-1])) if values.number.size else (None, None)
    used = int(np.isfinite(values.value).sum() if case.limit.statistic in ("max", "min") else values.whole.sum())
    return replace(judged, first=first, last=last, used=used, of=values.of, left_out=judged.left_out or left_out)


def _count(case: Case, values: Values) -> Judged:
    """A count is exact; one of failures may hide more in what was not measured."""
    known = values.value[np.isfinite(values.value)]
    failures = case.measure.fails
    total = float(known.sum() if failures else known[-1])
    verdict, remark = Verdict.INCONCLUSIVE if values.doubt else decide(total, 0.0, case.window), values.why
    hidden = _hidden(case, values) if failures else ()
    if hidden and _wants_all(case.limit, "max"):
        verdict, remark = _at_best(verdict, hidden), _may_hide(hidden, values.why)
    return Judged(verdict, JudgedFigure(total), Guards(0.0, 0.0), case.rule, case.window, remark=remark)


def _share(case: Case, values: Values) -> Judged:
    """Cycles off target: one that was not measured counts as off target, unless the limit accepts its reason.

    An incomplete cycle without missing samples is none: a stop is not off target.
    """
    limit = case.limit
    accepted = accepted_rows(values.reason, values.complete, limit.accept, values.of) | (values.reason == INCOMPLETE)
    kept = values.select(~accepted)
    uncounted = 0.0 if limit.accept.uncounted * values.of >= values.uncounted else values.uncounted
    off, of = float(kept.value.sum()) + round(uncounted), kept.value.size + round(uncounted)
    figure = JudgedFigure(off / of if of else math.nan)
    verdict = decide(figure.value, 0.0, case.window)
    return Judged(verdict, figure, Guards(0.0, 0.0), case.rule, case.window)


def _middle(case: Case, values: Values) -> Judged:
    """Median, mean, last value or change: of what was measured, if that is enough."""
    limit, least = case.limit, case.limits.least_measured
    base: Values | None = None
    used, base_size = int(values.whole.sum()), base_of(values, limit.accept)
    if used == 0:
        return not_judged(case, values.why or "none of the values could be measured", due=True)
    if limit.statistic == "change" and isinstance(case.block, CyclicBlock):
        base = baseline_values(case.asked(), least)
        if base.why:
            return not_judged(case, base.why, due=base.due)
    if base is not None and isinstance(case.block, CyclicBlock):
        figure = change_figure(case.measure, case.rig, case.block, base, values.select(values.whole), case.noises)
    else:
        figure = figure_of_values(limit, case.measure, case.rig, values, case.noises)
    judged = _decided(case, figure)
    if limit.statistic != "last" and used < least * base_size:
        why = f"only {used:,} of {values.of:,} could be measured, {least:.0%} are asked for"
        return replace(judged, verdict=Verdict.NOT_EVALUATED, remark=why)
    if values.measured < least:
        why = f"only {values.measured:.0%} of what it is a mean of could be measured, {least:.0%} are asked for"
        return replace(judged, verdict=Verdict.NOT_EVALUATED, remark=f"{why}; {values.why}" if values.why else why)
    hidden = _after_last(limit, values) if limit.statistic == "last" else ()
    hidden = hidden or _items_hidden(case, values)
    if hidden:
        return _not_proven(judged, hidden, values.why)
    return judged


def _after_last(limit: LimitConfig, values: Values) -> tuple[LeftOut, ...]:
    """What came after the last value that was measured, and was not; a stop or the end of the log is nothing."""
    first = int(np.flatnonzero(values.whole)[-1]) + 1
    codes = np.where(values.reason[first:] == INCOMPLETE, NONE, values.reason[first:])
    missing = values.complete[first:] & ~np.isfinite(values.value[first:])
    codes[missing & (values.reason[first:] == NONE)] = NAMES.index("missing")
    after = values.uncounted_after if values.uncounted_after > limit.accept.uncounted * values.of else 0.0
    return counted(
        codes, lambda place: values.called(first + place), uncounted=after, where=f"after {values.called(first - 1)}"
    )


def _extreme(case: Case, values: Values) -> Judged:
    """The largest or smallest: of a limit that no cycle may break, what was not measured counts against it."""
    limit = case.limit
    figure = figure_of_values(limit, case.measure, case.rig, values, case.noises)
    judged = replace(_decided(case, figure), at=figure.readings.called(figure.at) if figure.readings else "")
    if figure.readings is not None and figure.readings.reason[figure.at] in BOUNDS:
        judged = replace(judged, bound="at least" if limit.statistic == "max" else "at most")
    hidden = _hidden(case, values)
    if limit.exceptions is not None:
        return _with_exceptions(case, values, judged, hidden)
    if not _wants_all(limit, limit.statistic):
        if hidden and judged.verdict is Verdict.FAIL:
            return replace(judged, verdict=Verdict.INCONCLUSIVE, remark=_may_hide(hidden, values.why))
        return judged
    if hidden:
        return _not_proven(judged, hidden, values.why)
    return judged


def _wants_all(limit: LimitConfig, statistic: str) -> bool:
    """Whether no cycle may break the limit; else one that reaches it is enough."""
    return limit.operator == ("<=" if statistic == "max" else ">=")


def _with_exceptions(case: Case, values: Values, judged: Judged, hidden: tuple[LeftOut, ...]) -> Judged:
    """A limit that an allowed share of the cycles may break."""
    figure, limit = judged.figure, case.limit
    readings = figure.readings
    if readings is None or judged.verdict is Verdict.NOT_EVALUATED or limit.exceptions is None:
        return judged
    of, share = values.of, limit.exceptions
    allowed = allowed_exceptions(of, share)
    bound = limit.ends[0].value
    inner, outer = judged.guards.above, judged.guards.below
    if case.rule.guarded:
        u, dof, risk = float(readings.u[figure.at]), float(readings.dof[figure.at]), case.rule.risk
        towards, beyond = figure.shared_guards(risk)
        if limit.statistic == "min":
            towards, beyond = beyond, towards
        inner = exception_guards(readings.value.size, allowed, u, dof, risk, shared=towards)[0]
        outer = exception_guards(readings.value.size, allowed, u, dof, risk, shared=beyond)[1]
    margins = np.array([margin_of(float(v), limit.operator, bound) for v in readings.value])  # type: ignore[arg-type]
    over, near = int((margins < -outer).sum()), int(((margins >= -outer) & (margins < inner)).sum())
    unseen = round(values.behind_gaps)
    most = near + sum(one.count for one in hidden) + unseen
    verdict = decide_exceptions(of + unseen, over, min(most, of + unseen - over), share)
    why = f"{over:,} cycle(s) break it and {most:,} may, {allowed:,} of {of:,} are allowed"
    return replace(judged, verdict=verdict, remark=why)


def _hidden(case: Case, values: Values) -> tuple[LeftOut, ...]:
    """What may hide a value that breaks the limit, and is not accepted."""
    if not case.measure.in_window:
        return _items_hidden(case, values, extreme=True)
    left_out = counted(values.reason, values.called, uncounted=values.uncounted, where="while nothing was logged")
    left_out = tuple(
        replace(one, count=one.count + round(values.behind_gaps)) if one.reason == "gap" else one for one in left_out
    )
    return not_accepted(left_out, case.limit.accept, values.of)


def _not_found(case: Case, values: Values) -> tuple[LeftOut, ...]:
    """Holds, sweeps, windows or proofs that the plan asks for, and that are not there though it has gone on."""
    asked = kind_of(case.block.kind).asked(case.block)
    short = (asked or 0) - values.value.size
    if short <= 0 or not case.gone_on or not case.measure.every_event:
        return ()
    return (LeftOut("missing", short, f"of {asked} that the plan asks for"),)


def _items_hidden(case: Case, values: Values, *, extreme: bool = False) -> tuple[LeftOut, ...]:
    """Holds, sweeps, windows or proofs of which too many rows are lost, or, with ``extreme``, without a figure."""
    if case.measure.in_window:
        return ()
    shares = dict(case.limit.accept.shares())
    codes = values.reason.copy()
    for place, name in enumerate(NAMES):
        least = shares.get(name, 0.0)
        if name != "stuck" and not case.measure.one_sample:  # chance sticks to nothing: a few rows may be a ramp
            least = max(MOST_LOST, least)
        codes[(values.reason == place) & (values.lost_share <= least)] = -1
    missing = ~np.isfinite(values.value)
    codes[missing] = NAMES.index("missing") if extreme else -1
    return (*counted(codes, values.called), *(_not_found(case, values) if extreme else ()))


def _at_best(verdict: Verdict, hidden: tuple[LeftOut, ...]) -> Verdict:
    """What remains of a verdict where something is hidden: nothing passes."""
    return Verdict.INCONCLUSIVE if hidden and verdict is Verdict.PASS else verdict


def _not_proven(judged: Judged, hidden: tuple[LeftOut, ...], why: str) -> Judged:
    """The verdict where something is hidden; a fail needs no more."""
    if judged.verdict is Verdict.FAIL:
        return judged
    return replace(judged, verdict=_at_best(judged.verdict, hidden), remark=_may_hide(hidden, why))


def _may_hide(hidden: tuple[LeftOut, ...], why: str) -> str:
    text = f"not proven: {listed(hidden)} may hide a value that breaks it"
    return f"{text}; {why}" if why else text


def _decided(case: Case, figure: JudgedFigure) -> Judged:
    """The verdict on a figure alone."""
    unstated = not_stated(case.measure, case.rig, case.block)
    rule = case.rule
    guards = figure.guards(rule, case.limit.statistic)
    if rule.guarded and unstated:
        accept = case.limits.rule_of(case.limit, "undeclared") == "accept"
        names = " and ".join(f"'{name}'" for name in unstated)
        if not accept:
            why = f'uncertainty of {names} not stated: give uncertainty = "..." in its [[channel]] of the rig file'
            return Judged(Verdict.NOT_EVALUATED, figure, Guards(math.nan, math.nan), rule, case.window, remark=why)
        why = f"uncertainty of {names} not stated, counted as exact by the limit file"
        figure = replace(figure, note=f"{figure.note}; {why}" if figure.note else why)
    verdict = decide(figure.value, guards, case.window)
    remark = figure.note
    if figure.doubt and rule.guarded and verdict is not Verdict.FAIL:
        verdict, remark = Verdict.INCONCLUSIVE, figure.doubt
    elif verdict is Verdict.NOT_EVALUATED:
        remark = remark or "its uncertainty is not known: one value without an uncertainty of its own"
    elif verdict is Verdict.INCONCLUSIVE and figure.others is not None:
        if decide(figure.value, figure.own_guards(rule.risk, case.limit.statistic), case.window) is Verdict.PASS:
            remark = f"{FEW_READINGS}; {remark}" if remark else FEW_READINGS
    return Judged(verdict, figure, guards, rule, case.window, remark=remark)
