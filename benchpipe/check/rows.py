"""Judged limits → rows of the verdicts and budgets tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from benchpipe.blocks.left_out import listed
from benchpipe.check.case import Judged
from benchpipe.check.rules import acceptance, margin_within
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.kernels.risk import conformance, global_risks, normal_prior


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def verdict_row(limit: LimitConfig, limits: LimitsConfig, block: str, unit: str, judged: Judged) -> dict[str, Any]:
    """One row of the verdicts table."""
    figure, value = judged.figure, judged.value
    exact = limit.statistic in ("count", "share")
    standard, dof = (0.0, math.inf) if exact else (figure.budget.standard_u, figure.budget.dof)
    expanded = 0.0 if exact else figure.expanded_u(limit.statistic)
    guard = max(judged.guards)
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
        "left_out": listed(judged.left_out),
        "measured": value,
        "bound": judged.bound,
        "at": judged.at,
        "standard_u": _known(standard) if value is not None else None,
        "dof": _known(dof) if value is not None else None,
        "expanded_u": _known(expanded) if value is not None else None,
        "operator": limit.operator,
        "value": _nearer(limit, value),
        "other_value": _other(limit, value),
        "unit": unit,
        "margin": _known(margin_within(value, judged.window)) if value is not None else None,
        "guard": _known(guard),
        "conformance": _conformance(judged, standard, dof),
        **_risks(limit, judged, standard),
        "risk": judged.rule.risk,
        "rule": judged.rule.text,
        "verdict": str(judged.verdict),
        "due": judged.due,
        "remark": judged.remark,
        "not_corrected": _known(figure.raw),
        "correction": _known(figure.correction),
        "correction_u": _known(figure.correction_u),
        "source": limit.source,
        "verified": limit.verified,
        "verified_by": limit.verified_by,
    }


def _risks(limit: LimitConfig, judged: Judged, standard: float) -> dict[str, float | None]:
    """Consumer's and producer's risk where the limit states a prior (JCGM 106, 9.5)."""
    prior, window = limit.prior, judged.window
    nothing: dict[str, float | None] = {"consumer_risk": None, "producer_risk": None}
    if prior is None or not standard > 0.0 or not math.isfinite(sum(judged.guards)):
        return nothing
    density, support = normal_prior(prior.mean.value, prior.sd.value)
    accepted = acceptance(judged.guards, window)
    found = global_risks(density, support, standard, (window.low, window.high), accepted)
    return {"consumer_risk": _known(found.consumer), "producer_risk": _known(found.producer)}


def _nearer(limit: LimitConfig, value: float | None) -> float:
    """The limit, or the end of a window that the value is nearer to."""
    ends = [end.value for end in limit.ends]
    return min(ends, key=lambda end: abs(end - value)) if value is not None else ends[0]


def _other(limit: LimitConfig, value: float | None) -> float | None:
    """The other end of a window; None for a limit of one side."""
    others = [end.value for end in limit.ends if end.value != _nearer(limit, value)]
    return others[0] if others else None


def _conformance(judged: Judged, standard: float, dof: float) -> float | None:
    """Probability that the true value conforms; of an extreme, whose noise has no one law, none is given."""
    if judged.value is None or not math.isfinite(standard) or judged.figure.readings is not None:
        return None
    return conformance(judged.value, standard, judged.window.low, judged.window.high, dof)


def budget_rows(
    limit: LimitConfig, limits: LimitsConfig, block: str, unit: str, judged: Judged
) -> Iterator[dict[str, Any]]:
    """Rows of the budgets table: the parts of a figure's uncertainty, the largest first."""
    budget = judged.figure.budget
    for part in sorted(budget.parts, key=lambda part: -part.u if math.isfinite(part.u) else -math.inf):
        yield {
            "limit": limit.name,
            "limits_file": limits.name,
            "block": block,
            "part": part.name,
            "kind": part.kind,
            "standard_u": _known(part.u),
            "dof": _known(part.dof),
            "share": _known(budget.share(part)),
            "unit": unit,
            "note": part.note,
        }
