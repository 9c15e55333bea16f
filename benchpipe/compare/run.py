"""A study → its result: each measure's readings, design, estimates and outcomes."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchpipe.compare.design import Design, design_of
from benchpipe.compare.estimate import VariantDifference, estimates, probability_best
from benchpipe.compare.family import family_of, interval_of
from benchpipe.compare.lives import lives_of
from benchpipe.compare.readings import StudyRun, open_study_run, reading_of
from benchpipe.compare.repeats import gauge_of, scatter_of
from benchpipe.compare.result import (
    RANK,
    Comparison,
    ContrastOutcome,
    GroupSummary,
    LeftOutRun,
    MeasureResult,
    RunReading,
    StudyResult,
)
from benchpipe.compare.study import Study, StudyConfig, StudyMeasureConfig
from benchpipe.config.model import together
from benchpipe.errors import ConfigError
from benchpipe.kernels.difference import LEAST_GROUP, NO_DIFFERENCE, exact_paired, exact_unpaired, finite
from benchpipe.kernels.sample_size import groups_needed, pairs_needed


def compare_study(study: Study) -> StudyResult:
    """Compare the variants of a study.

    Raises
    ------
    ConfigError
        A run or measure of the study is not there, or runs do not fit one another: all of them at once.
    """
    config = study.config
    runs, left_out = _runs(study)
    problems = list(_unlike(study, runs))
    measures: list[MeasureResult] = []
    for i, asked in enumerate(config.measure):
        place = study.file.where(("measure", i, "name"))
        try:
            readings = tuple(reading_of(run, asked, place) for run in runs)
        except ConfigError as error:
            problems.append(error)
            continue
        if not problems:
            measures.append(compare_readings(readings, asked, config))
    if problems:
        raise together(problems)
    lives = lives_of(config, runs) if config.question == "life" else ()
    measures.sort(key=_worst)
    notes = (*_by_name(runs), *_specimens(runs))
    return StudyResult(
        config.name, config.question, config.reference, config.family, config.confidence, tuple(measures), lives,
        tuple(left_out), notes,
    )  # fmt: skip


def _by_name(runs: Sequence[StudyRun]) -> Iterator[str]:
    """Runs that are not finished, or fail, and are in the comparison because the study file names them so."""
    for state in ("unfinished", "failing"):
        names = [run.config.name for run in runs if state in run.states]
        if names:
            yield f"{state}, in by name: {', '.join(names)}"


def _specimens(runs: Sequence[StudyRun]) -> Iterator[str]:
    """Runs whose plans name one specimen and whose study names several: repeats may count as specimens."""
    named: dict[str, dict[str, None]] = defaultdict(dict)
    for run in runs:
        named[run.config.plan.specimen].setdefault(run.stated.specimen)
    for specimen, stated in named.items():
        if len(stated) > 1:
            names = ", ".join(stated)
            yield f"the plans name one specimen, '{specimen}', where the study has several: {names}; repeats are none"


def _worst(result: MeasureResult) -> tuple[int, float]:
    ranks = [(RANK[c.outcome], -abs(c.value) if math.isfinite(c.value) else 0.0) for c in result.comparisons]
    return min(ranks, default=(len(RANK), 0.0))


def _runs(study: Study) -> tuple[list[StudyRun], list[LeftOutRun]]:
    """Runs that count, and those that do not: unfinished and failing ones are in by name only."""
    problems: list[ConfigError] = []
    runs: list[StudyRun] = []
    left_out: list[LeftOutRun] = []
    seen: dict[Path, int] = {}
    for i, stated in enumerate(study.config.run):
        first = seen.setdefault(study.plan_of(stated).resolve(), i)
        if first != i:
            problems.append(ConfigError(
                f"run[{first}] and run[{i}] are the same plan", where=study.file.where(("run", i, "plan")),
                do_next="name each run once: repeats are runs of their own",
            ))  # fmt: skip
            continue
        try:
            run = open_study_run(study, i)
        except ConfigError as error:
            problems.append(error)
            continue
        lacking = [state for state in run.states if state not in stated.include]
        if not lacking or study.config.question == "life":
            runs.append(run)
        else:
            words = ", ".join(f'"{state}"' for state in run.states)
            why = f"{' and '.join(lacking)}: write include = [{words}] in its [[run]] to take it all the same"
            left_out.append(LeftOutRun(run.config.name, stated.variant, why))
    if problems:
        raise together(problems)
    return runs, left_out


def _unlike(study: Study, runs: list[StudyRun]) -> Iterator[ConfigError]:
    """Runs whose units differ."""
    for run in runs[1:]:
        if run.units != runs[0].units:
            mine, first = (f"{one['load']} against {one['motion']}" for one in (run.units, runs[0].units))
            yield ConfigError(
                f"run '{run.config.name}' measures {mine}, run '{runs[0].config.name}' {first}", where=run.place,
                do_next="compare runs of one kind of rig, or add the geometry to the rig file",
            )  # fmt: skip


def compare_readings(readings: Sequence[RunReading], asked: StudyMeasureConfig, config: StudyConfig) -> MeasureResult:
    """Compare the variants on readings of one measure: all of the arithmetic, without any store."""
    ratio = asked.scale == "ratio"
    design = design_of(readings, config.compared, ratio=ratio, block=config.block)
    share = config.margin_of(asked).value
    margin = math.log1p(share) if ratio else share
    pool = config.family in ("dunnett", "tukey") and len(config.variants) > 2
    found = [
        one if pair not in design.confounded else _confounded(one, design.confounded[pair])
        for pair, one in zip(config.compared, estimates(design, config.compared, pool=pool, ratio=ratio), strict=True)
    ]
    adjusted = family_of(found, config.family, len(config.variants), config.confidence, margin)
    comparisons = []
    for i, (pair, one) in enumerate(zip(config.compared, found, strict=True)):
        low, high = interval_of(one.difference, adjusted.risk[i])
        numbers = (low, high, adjusted.p[i], adjusted.equivalence_p[i])
        method = f"{one.method}, {adjusted.words}" if one.method else ""
        comparisons.append(_comparison(pair, one, numbers, method, design, config, margin, share, ratio=ratio))
    comparisons.sort(key=lambda c: (RANK[c.outcome], -abs(c.value) if math.isfinite(c.value) else 0.0))
    notes = [*design.notes, *_unmeasured(readings, ratio=ratio), *_small_scatter(design, found)]
    if pool and adjusted.words.startswith("Holm"):
        notes.append(f"{config.family.capitalize()} needs a balanced design: Holm in its place")
    best: tuple[tuple[str, float], ...] = ()
    if config.question == "ranking" and not design.confounded:
        best = probability_best(design, tuple(config.variants), higher=asked.better == "higher")
    unit = readings[0].unit if readings else ""
    stage = asked.stage if asked.cycles is None else f"after {asked.cycles:,} cycles"
    return MeasureResult(
        asked.name, asked.block, stage, unit, asked.scale, _design_words(design),
        tuple(_group(design, name, ratio=ratio) for name in config.variants), tuple(comparisons), best,
        tuple(scatter_of(design, config.variants, ratio=ratio)), gauge_of(design, ratio=ratio), tuple(notes),
        tuple(readings),
    )  # fmt: skip


def _confounded(one: VariantDifference, why: str) -> VariantDifference:
    return replace(one, difference=NO_DIFFERENCE, refused=why)


def _comparison(
    pair: tuple[str, str], one: VariantDifference, numbers: tuple[float, float, float, float], method: str,
    design: Design, config: StudyConfig, margin: float, share: float, *, ratio: bool,
) -> Comparison:  # fmt: skip
    variant, reference = pair
    low, high, family_p, same_p = numbers
    difference = one.difference
    shown = math.expm1 if ratio else float
    exact_p, least = _exact(design, variant, reference, paired=one.paired)
    risk = 1.0 - config.confidence
    outcome: ContrastOutcome
    if not finite(difference):
        outcome = "not analysed"
    elif low > margin or high < -margin:
        outcome = "beyond the margin"
    elif same_p < risk:
        outcome = "equivalent"
    elif family_p < risk:
        outcome = "differs"
    else:
        outcome = "not decided"
    half = 0.5 * (high - low)
    needed = 0
    if finite(difference) and one.sd > 0.0:
        detect = pairs_needed(margin, one.sd) if one.paired else (groups_needed(margin, one.sd),) * 2
        needed = detect[1] if config.question == "equivalence" else detect[0]
        if one.method == "Welch" and needed:
            needed = max(needed, LEAST_GROUP)
    runs = tuple(r.run for r in design.readings if r.variant in pair)
    words = _words(outcome, one, family_p < risk, share, ratio=ratio)
    return Comparison(
        variant, reference, shown(difference.value), shown(low), shown(high), config.confidence,
        difference.p, family_p, same_p, exact_p, least, share, outcome, words, method, one.n, one.n_reference,
        shown(half), needed, difference.shared_u,
        one.refused, runs,
    )  # fmt: skip


def _words(outcome: ContrastOutcome, one: VariantDifference, differs: bool, share: float, *, ratio: bool) -> str:
    """What the outcome says, so that no difference found is never read as the same."""
    margin = f"{100 * share:.3g} %" if ratio else f"{share:.3g}"
    if outcome == "not analysed":
        return one.refused
    if outcome == "beyond the margin":
        return f"the difference is larger than the margin of {margin}"
    if outcome == "equivalent":
        return f"within the margin of {margin}" + (", and a difference is found" if differs else "")
    if outcome == "differs":
        return f"a difference is found; whether it is larger than the margin of {margin} is not decided"
    return f"no difference found, which does not show that they are the same within {margin}"


def _exact(design: Design, variant: str, reference: str, *, paired: bool) -> tuple[float, float]:
    a, b = design.of(variant), design.of(reference)
    if paired:
        there = {cell.specimen: cell.value for cell in b}
        d = [cell.value - there[cell.specimen] for cell in a if cell.specimen in there]
        found = exact_paired(d)
    else:
        found = exact_unpaired([c.value for c in a], [c.value for c in b])
    return (found.p, found.least_p) if found.converged else (math.nan, math.nan)


def _group(design: Design, variant: str, *, ratio: bool) -> GroupSummary:
    cells = design.of(variant)
    values = np.array([cell.value for cell in cells])
    mean = float(values.mean()) if values.size else math.nan
    runs = tuple(design.readings[i].run for cell in cells for i in cell.runs)
    own = math.sqrt(float(np.mean([c.own_u**2 for c in cells]))) if cells else math.nan
    return GroupSummary(
        variant, len(cells), len(runs), math.exp(mean) if ratio else mean,
        float(values.std(ddof=1)) if values.size > 1 else math.nan, own, runs,
    )  # fmt: skip


def _unmeasured(readings: Sequence[RunReading], *, ratio: bool) -> Iterator[str]:
    whys: dict[str, list[str]] = defaultdict(list)
    for r in readings:
        if not math.isfinite(r.value):
            whys[f"not in the comparison: {r.note}"].append(r.run)
        elif ratio and r.value <= 0.0:
            whys['not above zero, so it has no ratio: scale = "difference" compares it'].append(r.run)
        elif r.note:
            whys[r.note].append(r.run)
    for why, runs in whys.items():
        named = "all runs" if len(runs) == len(readings) > 2 else ", ".join(runs)
        yield f"{named}: {why}"


def _small_scatter(design: Design, found: Sequence[VariantDifference]) -> Iterator[str]:
    """Specimens that scatter less than their own noise says: they are luck, or not independent."""
    own = math.sqrt(float(np.mean([c.own_u**2 for c in design.cells]))) if design.cells else 0.0
    sds = [one.sd / (math.sqrt(2.0) if one.paired else 1.0) for one in found if finite(one.difference)]
    if sds and min(sds) < 0.5 * own:
        yield f"specimens scatter less ({min(sds):.2g}) than the noise of their own readings ({own:.2g})"


def _design_words(design: Design) -> str:
    if design.blocking == "none":
        return "specimens apart"
    if design.blocking == "specimen":
        return "pairs: the same specimen under several variants"
    return f"blocks: {design.blocking.replace('_', ' ')}"
