"""Family of comparisons: p values, intervals and outcomes that hold for all of them at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchpipe.compare.estimate import VariantDifference
from benchpipe.compare.study import Family
from benchpipe.kernels.difference import Difference, finite
from benchpipe.kernels.families import dunnett_factor, dunnett_p, holm_p, tukey_factor, tukey_p
from benchpipe.kernels.risk import student_guard

SURE = 1e-8  # a p below it is multiplied by the number of comparisons: a bound, and no integral is that fine


@dataclass(frozen=True)
class FamilyResult:
    """Adjusted p of each comparison, the one-sided risk that each one's interval is made at, and the words for it."""

    p: tuple[float, ...]
    risk: tuple[float, ...]
    equivalence_p: tuple[float, ...]
    words: str


def family_of(
    found: Sequence[VariantDifference], family: Family, groups: int, confidence: float, margin: float
) -> FamilyResult:
    """Adjust a family of comparisons.

    Parameters
    ----------
    found : sequence of VariantDifference
        Those that were refused stay NaN and are no member.
    family : str
        Dunnett and Tukey need one error for all and, in blocks, a balanced design; else Holm takes their place.
    groups : int
        Variants.
    confidence : float
        Of all intervals together.
    margin : float
        Half-width of equivalence on the scale of the differences.
    """
    known = [one for one in found if finite(one.difference)]
    risk = 1.0 - confidence
    p = [one.difference.p for one in known]
    special = family in ("dunnett", "tukey") and len(known) > 1 and all(one.same_error for one in known)
    if len(known) <= 1:
        adjusted, risks, words = p, [0.5 * risk] * len(known), "one comparison"
    elif special and family == "dunnett":
        shares = [one.dunnett_share for one in known]
        dof = known[0].difference.dof
        adjusted = [_of_t(one.difference, lambda t: dunnett_p(t, shares, dof), len(known)) for one in known]
        risks, words = [_risk_of(dunnett_factor(shares, dof, risk), dof)] * len(known), "Dunnett"
    elif special:
        dof = known[0].difference.dof
        adjusted = [_of_t(one.difference, lambda t: tukey_p(t, groups, dof), len(known)) for one in known]
        risks, words = [_risk_of(tukey_factor(groups, dof, risk), dof)] * len(known), "Tukey-Kramer"
    else:
        adjusted, risks = holm_p(p).tolist(), [0.5 * risk / len(known)] * len(known)
        words = "Holm, intervals by Bonferroni"
    same = holm_p([one.difference.equivalence_p(-margin, margin) for one in known]).tolist() if known else []
    return FamilyResult(_spread(found, adjusted), _spread(found, risks), _spread(found, same), words)


def _spread(found: Sequence[VariantDifference], values: Sequence[float]) -> tuple[float, ...]:
    """Values at the places of the comparisons that there are; NaN at the others."""
    rest = iter(values)
    return tuple(next(rest) if finite(one.difference) else math.nan for one in found)


def _of_t(difference: Difference, family_p: object, count: int) -> float:
    """Adjusted p: that of the t which has the comparison's own p, so that a shared error is in it."""
    p = difference.p
    if p < SURE:
        return min(count * p, 1.0)
    t = float(student_guard(0.5 * p, difference.dof)) if p < 1.0 else 0.0
    return max(float(family_p(t)), p)  # type: ignore[operator]


def _risk_of(factor: float, dof: float) -> float:
    from scipy.special import stdtr

    return float(stdtr(dof, -factor))


def interval_of(difference: Difference, risk: float) -> tuple[float, float]:
    """Interval at a one-sided risk."""
    if not np.isfinite(risk):
        return math.nan, math.nan
    half = difference.half_width(risk)
    return difference.value - half, difference.value + half
