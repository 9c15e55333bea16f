"""Verdict of one limit on a run."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any


class Verdict(StrEnum):
    """What a limit says of a run, worst first."""

    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_EVALUATED = "not evaluated"
    PASS = "pass"


RANK = {verdict: i for i, verdict in enumerate(Verdict)}
NOT_APPLICABLE = "not applicable"  # how the remark of a limit begins that nothing in the plan can ever be judged by


def worst(verdicts: list[Verdict]) -> Verdict:
    """The worst of some verdicts; without any, nothing was evaluated."""
    return min(verdicts, key=lambda v: RANK[v], default=Verdict.NOT_EVALUATED)


def applies(row: Mapping[str, Any]) -> bool:
    """Whether the plan has what a row of the verdicts table is a limit on."""
    return not str(row.get("remark") or "").startswith(NOT_APPLICABLE)
