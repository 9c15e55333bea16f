"""Gather the page of a study: differences, readings, loops laid over each other, drift side by side."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchpipe.blocks.charts import Axis, Chart, FigureTable, Floats, Panel, Ruler, Series
from benchpipe.blocks.figures import Figure
from benchpipe.columns import floats
from benchpipe.compare.readings import StudyRun, open_study_run
from benchpipe.compare.result import Comparison, MeasureResult, RunReading, StudyResult
from benchpipe.compare.study import Study
from benchpipe.escapes import quoted

LEAST_OF_PARALLEL = 2  # measures that a parallel view needs
BREAK = np.array([np.nan])


@dataclass(frozen=True, eq=False)
class StudyPage:
    """A study with its pictures. ``called`` is the study file, as a command names it."""

    result: StudyResult
    charts: tuple[Chart, ...]
    called: str


@dataclass(frozen=True, eq=False)
class _StudyCurve:
    """A curve of one run."""

    run: StudyRun
    what: str
    x: Floats
    y: Floats


def study_page(study: Study, result: StudyResult, called: str) -> StudyPage:
    """The page of a study that was compared.

    Parameters
    ----------
    study : Study
    result : StudyResult
        Of the same study.
    called : str
        The study file, as a command names it.
    """
    used = {one.run for measure in result.measures for one in measure.readings}
    opened = (open_study_run(study, i) for i in range(len(study.config.run)))
    runs = [run for run in opened if run.config.name in used]
    variants = tuple(study.config.variants)
    charts = [
        *(chart for one in result.measures for chart in (_differences(one), _readings(one, variants)) if chart),
        *_parallel(result, variants),
        *_loops(runs, result.measures, variants),
        *(chart for one in result.measures for chart in _drift(runs, one, variants)),
    ]
    return StudyPage(result, tuple(charts), called)


def _differences(found: MeasureResult) -> Chart | None:
    """Each comparison with its interval against the margin."""
    known = [one for one in found.comparisons if math.isfinite(one.value)]
    if not known:
        return None
    ratio = found.scale == "ratio"
    scale, unit = (100.0, "%") if ratio else (1.0, found.unit)
    names = tuple(f"{one.variant} {'/' if ratio else '−'} {one.reference}" for one in known)
    value, low, high = (scale * np.array([getattr(one, key) for one in known]) for key in ("value", "low", "high"))
    panel = Panel(
        "", Axis("comparison", names=names), Axis("difference", unit),
        (Series("", np.arange(1.0, len(known) + 1.0), value, low, high, "dots"),),
        tuple(Ruler(v, words) for v, words in _margins(known[0], ratio=ratio, scale=scale)),
    )  # fmt: skip
    head = (
        Axis("comparison"), Axis("difference", unit), Axis("low", unit), Axis("high", unit), Axis("outcome"),
        Axis("method"), Axis("p over the family"), Axis("runs"),
    )  # fmt: skip
    rows = tuple(
        (name, scale * one.value, scale * one.low, scale * one.high, one.outcome, one.method, one.family_p,
         ", ".join(one.runs)) for name, one in zip(names, known, strict=True)
    )  # fmt: skip
    worst = known[0]
    answer = (f"{names[0]}: ", Figure("", scale * worst.value, unit), f" ({scale * worst.low:+.3g} to "
              f"{scale * worst.high:+.3g}): {worst.words}.")  # fmt: skip
    return _chart("difference", found, "differences with their intervals", answer, (panel,), FigureTable(head, rows),
                  len(known), "comparisons")  # fmt: skip


def _margins(one: Comparison, *, ratio: bool, scale: float) -> Iterator[tuple[float, str]]:
    """No difference, and the margin that matters on both sides of it."""
    below = 1.0 / (1.0 + one.margin) - 1.0 if ratio else -one.margin
    yield 0.0, "no difference"
    yield scale * one.margin, "margin"
    yield scale * below, "margin"


def _readings(found: MeasureResult, variants: Sequence[str]) -> Chart | None:
    """Each run's figure, by variant."""
    known = [one for one in found.readings if math.isfinite(one.value)]
    if not known:
        return None
    place = np.array([1.0 + variants.index(one.variant) for one in known])
    value, u = (np.array([getattr(one, key) for one in known]) for key in ("value", "own_u"))
    rigs = sorted({one.rig for one in known})
    series = []
    for k, rig in enumerate(rigs):
        at = np.array([one.rig == rig for one in known])
        aside = 0.08 * (k - 0.5 * (len(rigs) - 1))
        wide = 2.0 * np.nan_to_num(u[at])
        series.append(Series(rig, place[at] + aside, value[at], value[at] - wide, value[at] + wide, "dots"))
    panel = Panel("", Axis("variant", names=tuple(variants)), Axis(found.measure, found.unit), tuple(series))
    head = (
        Axis("run"), Axis("variant"), Axis("specimen"), Axis("rig"), Axis("value", found.unit),
        Axis("own u", found.unit), Axis("rig's u", found.unit), Axis("first"), Axis("last"), Axis("state"),
    )  # fmt: skip
    rows = tuple((r.run, r.variant, r.specimen, r.rig, r.value, r.own_u, r.shared_u, r.first, r.last, r.state)
                 for r in found.readings)  # fmt: skip
    low, high = min(known, key=lambda r: r.value), max(known, key=lambda r: r.value)
    answer = ("From ", Figure("", low.value, found.unit), f" ({low.variant}, {low.specimen}) to ",
              Figure("", high.value, found.unit), f" ({high.variant}, {high.specimen}).")  # fmt: skip
    return _chart("readings", found, "each run's figure; whiskers: its own ± 2 u", answer, (panel,),
                  FigureTable(head, rows), len(known), "runs")  # fmt: skip


def _parallel(result: StudyResult, variants: Sequence[str]) -> Iterator[Chart]:
    """All measures of each run side by side, in parts of the reference's mean."""
    measures = [
        one for one in result.measures if one.scale == "ratio" and math.isfinite(_mean(one, result.reference))
    ]  # fmt: skip
    if len(measures) < LEAST_OF_PARALLEL:
        return
    names = tuple(one.measure.replace("_", " ") for one in measures)
    runs = list(dict.fromkeys(r.run for one in measures for r in one.readings))
    by: list[dict[str, RunReading]] = [{r.run: r for r in one.readings} for one in measures]
    x = np.arange(1.0, len(measures) + 1.0)
    found: dict[str, list[Floats]] = {name: [] for name in variants}
    rows = []
    for run in runs:
        own = [readings.get(run) for readings in by]
        first = next(r for r in own if r is not None)
        y = np.array([math.nan if r is None else 100.0 * (r.value / _mean(m, result.reference) - 1.0)
                      for r, m in zip(own, measures, strict=True)])  # fmt: skip
        found[first.variant].append(y)
        rows.append((run, first.variant, *map(float, y)))
    series = _lines({name: [(x, y) for y in ys] for name, ys in found.items()})
    panel = Panel("", Axis("measure", names=names), Axis(f"against the mean of {result.reference}", "%"), series)
    head = (Axis("run"), Axis("variant"), *(Axis(name, "%") for name in names))
    yield Chart(
        "parallel", "trends", "", "all measures side by side", (f"{len(runs)} runs, {len(measures)} measures.",),
        (panel,), FigureTable(head, tuple(rows)), len(runs), "runs", "benchpipe compare STUDY --json",
    )  # fmt: skip


def _mean(found: MeasureResult, variant: str) -> float:
    return next((g.mean for g in found.groups if g.variant == variant), math.nan)


def _loops(runs: Sequence[StudyRun], measures: Iterable[MeasureResult], variants: Sequence[str]) -> Iterator[Chart]:
    """The last kept loop of each run at the stage that is compared, as it is and on one grid."""
    for block in dict.fromkeys(one.block for one in measures):
        until = {r.run: r.last for one in measures if one.block == block for r in one.readings}
        curves = [curve for run in runs if (curve := _loop(run, block, until.get(run.config.name, 0))) is not None]
        if not curves:
            continue
        units = curves[0].run.units
        rows = tuple(
            (c.run.config.name, c.run.stated.variant, c.run.stated.specimen, c.what, float(np.ptp(c.y)),
             float(np.ptp(c.x))) for c in curves
        )  # fmt: skip
        head = (Axis("run"), Axis("variant"), Axis("specimen"), Axis("cycle"), Axis("load range", units["load"]),
                Axis("motion range", units["motion"]))  # fmt: skip
        panels = (
            Panel("as measured", Axis("motion", units["motion"]), Axis("load", units["load"]),
                  _by_variant(curves, variants)),
            Panel("each on its own ranges", Axis("motion, part of its range"), Axis("load, part of its range"),
                  _by_variant([_StudyCurve(c.run, c.what, _part(c.x), _part(c.y)) for c in curves], variants)),
        )  # fmt: skip
        yield Chart(
            "loops", "trends", block, "loops laid over each other", ("One loop of each run, coloured by variant.",),
            panels, FigureTable(head, rows), sum(c.x.size for c in curves), "samples", _export(curves, "loops"),
        )  # fmt: skip


def _loop(run: StudyRun, block: str, until: int) -> _StudyCurve | None:
    """The last kept loop of a run up to a cycle, closed."""
    kept = run.store.read_parts(run.manifest.block_parts(block, "loops"), "loops", ["cycle", "load", "motion"])
    if not kept.num_rows:
        return None
    cycle = kept.column("cycle").to_numpy()
    known = cycle[cycle <= until] if until and (cycle <= until).any() else cycle
    own = kept.filter(cycle == known.max())
    x, y = (floats(own.column(name)) for name in ("motion", "load"))
    return _StudyCurve(run, f"{known.max():,}", np.append(x, x[0]), np.append(y, y[0]))


def _drift(runs: Sequence[StudyRun], found: MeasureResult, variants: Sequence[str]) -> Iterator[Chart]:
    """Change of a measure since its baseline over the cycles, run beside run."""
    curves = []
    for run in runs:
        rows = run.store.read(run.manifest, "trends").to_pylist()
        own = [row for row in rows if row["block"] == found.block and row["measure"] == found.measure]
        known = [row for row in own if row["change"] is not None]
        if len(known) > 1:
            x, y = (np.array([row[key] for row in known], float) for key in ("number", "change"))
            curves.append(_StudyCurve(run, "", x, 100.0 * y))
    if not curves:
        return
    head = (Axis("run"), Axis("variant"), Axis("last cycle of the trend"), Axis("change since baseline", "%"))
    rows_of = tuple((c.run.config.name, c.run.stated.variant, int(c.x[-1]), float(c.y[-1])) for c in curves)
    worst = max(curves, key=lambda c: abs(float(c.y[-1])))
    answer = (f"Largest change at the end: {float(worst.y[-1]):+.3g} % ({worst.run.config.name}).",)
    panel = Panel("", Axis("cycle"), Axis("change since baseline", "%"), _by_variant(curves, variants),
                  (Ruler(0.0, ""),))  # fmt: skip
    yield _chart("drift", found, "change over the cycles, run beside run", answer, (panel,), FigureTable(head, rows_of),
                 sum(c.x.size for c in curves), "medians", _export(curves, "trends"))  # fmt: skip


def _export(curves: Sequence[_StudyCurve], table: str) -> str:
    """The command to the rows of the first run that is drawn; of more, it says so."""
    plans = list(dict.fromkeys(one.run.config.plan_path for one in curves))
    more = f"  # one of {len(plans)} runs" if len(plans) > 1 else ""
    return f"benchpipe export {quoted(plans[0])} {table}{more}"


def _by_variant(curves: Iterable[_StudyCurve], variants: Sequence[str]) -> tuple[Series, ...]:
    by: dict[str, list[tuple[Floats, Floats]]] = {name: [] for name in variants}
    for one in curves:
        by[one.run.stated.variant].append((one.x, one.y))
    return _lines(by)


def _lines(by: dict[str, list[tuple[Floats, Floats]]]) -> tuple[Series, ...]:
    """One series a variant, its runs one after another with a break between."""
    return tuple(
        Series(name, _broken(x for x, _ in own), _broken(y for _, y in own)) for name, own in by.items() if own
    )


def _broken(curves: Iterable[Floats]) -> Floats:
    return np.concatenate([part for curve in curves for part in (curve, BREAK)])


def _part(values: Floats) -> Floats:
    span = float(np.ptp(values))
    return (values - values.min()) / span if span > 0.0 else np.zeros(values.size)


def _chart(
    name: str, found: MeasureResult, title: str, answer: tuple[str | Figure, ...], panels: tuple[Panel, ...],
    rows: FigureTable, points: int, things: str, command: str = "benchpipe compare STUDY --json",
) -> Chart:  # fmt: skip
    label = f"{found.measure.replace('_', ' ')}: {title}"
    return Chart(f"{name}-{found.measure}", "trends", found.block, label, answer, panels, rows, points, things, command)
