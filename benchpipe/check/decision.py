"""The decision rule: a measured value with its uncertainty against a limit.

Guarded: pass only when the value is inside the limit by ``guard`` standard
uncertainties, fail only when it is outside by as much, inconclusive between. With
``guard = 2`` (w = U, k = 2) at most 2.3 % of passes are false (ILAC-G8:09/2019
prints 2.5 %). Simple: no guard; at the limit half of all verdicts are false.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Literal


class Verdict(StrEnum):
    """What a limit says of a run, worst first."""

    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_EVALUATED = "not evaluated"
    PASS = "pass"


RANK = {verdict: i for i, verdict in enumerate(Verdict)}
COVERAGE_FACTOR = 2.0


def margin_of(measured: float, operator: Literal["<=", ">="], limit: float) -> float:
    """Distance to the limit, positive on the good side."""
    return limit - measured if operator == "<=" else measured - limit


def decide(
    measured: float | None,
    expanded_u: float | None,
    operator: Literal["<=", ">="],
    limit: float,
    *,
    guarded: bool,
    guard: float,
) -> Verdict:
    """Judge one value.

    Parameters
    ----------
    measured : float or None
        None, NaN or infinite: not evaluated, never a pass.
    expanded_u : float or None
        Expanded uncertainty (k = 2); None or not finite: not evaluated when guarded.
    operator, limit
        The value must be ``operator`` the limit.
    guarded : bool
    guard : float
        Guard band in standard uncertainties.
    """
    if measured is None or not math.isfinite(measured) or not math.isfinite(limit):
        return Verdict.NOT_EVALUATED
    margin = margin_of(measured, operator, limit)
    if not guarded:
        return Verdict.PASS if margin >= 0.0 else Verdict.FAIL
    if expanded_u is None or not math.isfinite(expanded_u) or expanded_u < 0.0:
        return Verdict.NOT_EVALUATED
    band = guard * expanded_u / COVERAGE_FACTOR
    if margin >= band:
        return Verdict.PASS
    return Verdict.FAIL if margin < -band else Verdict.INCONCLUSIVE


def conformance_probability(measured: float, standard_u: float, operator: Literal["<=", ">="], limit: float) -> float:
    """Probability that the true value conforms, for a normal distribution (JCGM 106, 7.3)."""
    margin = margin_of(measured, operator, limit)
    if standard_u <= 0.0:
        return 1.0 if margin >= 0.0 else 0.0
    return 0.5 * math.erfc(-margin / standard_u / math.sqrt(2.0))


def worst(verdicts: list[Verdict]) -> Verdict:
    """The worst of some verdicts; without any, nothing was evaluated."""
    return min(verdicts, key=lambda v: RANK[v], default=Verdict.NOT_EVALUATED)
