"""What a limit says of a run."""

from __future__ import annotations

from enum import StrEnum


class Verdict(StrEnum):
    """What a limit says of a run, worst first."""

    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_EVALUATED = "not evaluated"
    PASS = "pass"


RANK = {verdict: i for i, verdict in enumerate(Verdict)}
COVERAGE_FACTOR = 2.0  # of the figures that a summary shows beside the verdicts


def worst(verdicts: list[Verdict]) -> Verdict:
    """The worst of some verdicts; without any, nothing was evaluated."""
    return min(verdicts, key=lambda v: RANK[v], default=Verdict.NOT_EVALUATED)
