"""Lives of variants with run-outs: log-rank by permutation, Weibull ratio, and bounds that few specimens allow."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchpipe.check.decision import Verdict
from benchpipe.check.survival import survival
from benchpipe.compare.readings import StudyRun
from benchpipe.compare.result import LifeResult
from benchpipe.compare.study import StudyConfig
from benchpipe.kernels.families import holm_p
from benchpipe.kernels.lives import log_rank, two_weibulls
from benchpipe.kernels.risk import student_guard


@dataclass(frozen=True)
class Life:
    """Cycles of one specimen, to its failure or to its end without one."""

    variant: str
    specimen: str
    cycles: float
    failed: bool
    runs: tuple[str, ...]


def lives_of(config: StudyConfig, runs: Sequence[StudyRun]) -> tuple[LifeResult, ...]:
    """Lives from the runs of a study; several runs of a specimen are its stages, one after another."""
    stages: dict[tuple[str, str], list[StudyRun]] = defaultdict(list)
    for run in runs:
        stages[run.stated.variant, run.stated.specimen].append(run)
    lives = [
        Life(
            variant, specimen, float(sum(run.stated.cycles or run.cycles_done() for run in some)),
            any(run.stated.failed for run in some), tuple(run.config.name for run in some),
        )
        for (variant, specimen), some in stages.items()
    ]  # fmt: skip
    return compare_lives(config, lives)


def compare_lives(config: StudyConfig, lives: Sequence[Life]) -> tuple[LifeResult, ...]:
    """Compare lives: no store, arithmetic alone. Worst (shortest against its reference) first."""
    found = []
    for variant, reference in config.compared:
        a, b = ([one for one in lives if one.variant == name] for name in (variant, reference))
        args = ([x.cycles for x in a], [x.failed for x in a], [x.cycles for x in b], [x.failed for x in b])
        rank, weibull = log_rank(*args), two_weibulls(*args)
        half = float(student_guard(0.5 * (1.0 - config.confidence), math.inf)) * weibull.log_ratio_u
        ratio = math.exp(weibull.log_ratio) if weibull.converged else math.nan
        wide = math.exp(half) if weibull.converged else math.nan
        bounds = tuple(
            (name, survival(
                [(Verdict.FAIL if x.failed else Verdict.PASS, False, int(x.cycles)) for x in some], 0.9,
                config.weibull_shape,
            ).words)
            for name, some in ((variant, a), (reference, b))
        )  # fmt: skip
        runs = tuple(run for one in (*a, *b) for run in one.runs)
        found.append(LifeResult(
            variant, reference, ratio, ratio / wide, ratio * wide, weibull.shape, rank.p, math.nan, rank.least_p,
            rank.exact, (sum(x.failed for x in a), sum(x.failed for x in b)), (len(a), len(b)), "", bounds, runs,
        ))  # fmt: skip
    known = [one.p for one in found if math.isfinite(one.p)]
    adjusted = iter(holm_p(known).tolist() if known else [])
    risk = 1.0 - config.confidence
    whole = [replace(one, family_p=next(adjusted)) if math.isfinite(one.p) else one for one in found]
    whole = [replace(one, words=_words(one, risk)) for one in whole]
    return tuple(sorted(whole, key=lambda one: one.ratio if math.isfinite(one.ratio) else math.inf))


def _words(one: LifeResult, risk: float) -> str:
    if not math.isfinite(one.p):
        return "no failure, or no specimen, in one of both: nothing to compare; see the bounds"
    if one.least_p > risk:
        return (
            f"so few specimens and failures cannot reach {100 * risk:.3g} % (least p {one.least_p:.2g}): see the bounds"
        )
    if one.family_p < risk:
        return "the lives differ"
    return "no difference of lives found, which does not show that they are the same"
