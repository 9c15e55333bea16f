"""A study in lines for a terminal: differences with their intervals against the margin, worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from benchpipe.compare.result import Comparison, LifeResult, MeasureResult, StudyResult
from benchpipe.errors import ExitCode
from benchpipe.views.folding import folded

if TYPE_CHECKING:
    import pyarrow as pa

VERSION = 1
BAR = 31  # cells of the picture of an interval: odd, so that nought has its own
UNDER, MORE = " " * 19, " " * 11  # where further lines of a comparison, of a note begin
REACH = 3.0  # margins on each side of it


def comparison_document(result: StudyResult) -> dict[str, Any]:
    """The same for other programs; NaN becomes null where it is written."""
    return {"document": "benchpipe comparison", "version": VERSION, **asdict(result)}


def comparison_tables(result: StudyResult) -> dict[str, pa.Table]:
    """The figures of a study as tables: ``readings``, a row a run and measure; ``comparisons``, a row each."""
    import pyarrow as pa

    def table(rows: list[dict[str, Any]]) -> pa.Table:
        plain = [{k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in r.items()} for r in rows]
        return pa.Table.from_pylist(plain)

    def of(found: MeasureResult) -> dict[str, Any]:
        return {"measure": found.measure, "block": found.block, "stage": found.stage}

    readings = [of(m) | asdict(r) for m in result.measures for r in m.readings]
    compared = [of(m) | asdict(c) | {"runs": " ".join(c.runs)} for m in result.measures for c in m.comparisons]
    return {name: table(rows) for name, rows in (("readings", readings), ("comparisons", compared)) if rows}


def exit_code_of(result: StudyResult) -> ExitCode:
    """11 where a comparison could not be analysed, else 0: neither a difference nor none found is a failure."""
    refused = any(c.outcome == "not analysed" for m in result.measures for c in m.comparisons)
    return ExitCode.INCONCLUSIVE if refused else ExitCode.OK


def comparison_lines(result: StudyResult) -> Iterator[str]:
    """Lines of at most 79 columns where names allow it."""
    head = f"{result.name}: {result.question} against {result.reference}, {100 * result.confidence:.4g} % for all"
    yield from folded(head, "")
    for measure in result.measures:
        yield ""
        yield from _measure(measure)
    for life in result.lives:
        yield ""
        yield from _life(life)
    if result.left_out or result.notes:
        yield ""
    for one in result.left_out:
        yield from folded(f"left out   {one.run} ({one.variant}): {one.why}", "", MORE)
    for note in result.notes:
        yield from folded(f"note       {note}", "", MORE)


def outcome_lines(result: StudyResult) -> Iterator[str]:
    """A line for each comparison: value, interval, outcome."""
    for measure in result.measures:
        for one in measure.comparisons:
            ratio = measure.scale == "ratio"
            if math.isfinite(one.value):
                yield f"{measure.measure} {_name(one, ratio=ratio)} {_value(one, ratio=ratio)}  {one.outcome.upper()}"
            else:
                yield f"{measure.measure} {_name(one, ratio=ratio)} NOT ANALYSED: {one.not_analysed}"


def _measure(found: MeasureResult) -> Iterator[str]:
    ratio = found.scale == "ratio"
    unit = f" [{found.unit}]" if found.unit else ""
    yield from folded(f"{found.measure} of {found.block}, {found.stage}{unit} ({found.design})", "")
    for group in found.groups:
        if not group.n_specimens:
            yield f"  {group.variant:<12} {'no specimen':>10}"
            continue
        sd = "" if not math.isfinite(group.sd) else f", sd {_amount(group.sd, ratio=ratio)}"
        specimens = f"{group.n_specimens} specimen{'s' if group.n_specimens != 1 else ''}"
        more = f" in {group.n_runs} runs" if group.n_runs != group.n_specimens else ""
        yield f"  {group.variant:<12} {group.mean:>10.5g}  {specimens}{more}{sd}"
    for one in found.comparisons:
        yield from _comparison(one, ratio=ratio)
    if found.best:
        chances = ", ".join(f"{name} {100 * p:.0f} %" for name, p in found.best)
        yield from folded(f"probability of being best: {chances}", "  ")
    for part in found.scatter:
        raw = f" (estimate {part.raw_variance:.2g} is negative: nought)" if part.raw_variance < 0.0 else ""
        low, high = (_amount(v, ratio=ratio) for v in part.between_interval)
        yield from folded(
            f"{part.variant}: between specimens {_amount(part.between, ratio=ratio)} (95 % {low} to {high}){raw}, "
            f"between mounts {_amount(part.repeatability, ratio=ratio)}", "  ",
        )  # fmt: skip
    if found.gauge is not None:
        yield from folded(
            f"rigs: repeatability {_amount(found.gauge.repeatability, ratio=ratio)}, reproducibility "
            f"{_amount(found.gauge.reproducibility, ratio=ratio)}, {100 * found.gauge.share:.0f} % of the total", "  ",
        )  # fmt: skip
    for note in found.notes:
        yield from folded(f"note: {note}", "  ")


def _comparison(one: Comparison, *, ratio: bool) -> Iterator[str]:
    name = f"  {_name(one, ratio=ratio):<16} "
    if not math.isfinite(one.value):
        yield from folded(f"NOT ANALYSED: {one.not_analysed}", name, UNDER)
        return
    scale = 100.0 if ratio else 1.0
    unit = " %" if ratio else ""
    exact = f", exact p {one.exact_p:.3g} (least {one.least_p:.2g})" if math.isfinite(one.exact_p) else ""
    yield f"{name}{_value(one, ratio=ratio)}  {one.outcome.upper()}"
    yield f"{UNDER}{interval_bar(one)}"
    yield from folded(one.words, UNDER, UNDER)
    yield from folded(f"{one.method}: p {one.family_p:.3g}, equivalence p {one.equivalence_p:.3g}{exact}", UNDER, UNDER)
    more = f"; for the margin: {one.next_pairs} specimens each" if one.next_pairs else ""
    yield from folded(f"so many can show ± {scale * one.could_show:.3g}{unit}{more}", UNDER, UNDER)


def _name(one: Comparison, *, ratio: bool) -> str:
    return f"{one.variant} / {one.reference}" if ratio else f"{one.variant} − {one.reference}"


def _value(one: Comparison, *, ratio: bool) -> str:
    scale, unit = (100.0, " %") if ratio else (1.0, "")
    return f"{scale * one.value:+.3g}{unit} ({scale * one.low:+.3g} to {scale * one.high:+.3g})"


def interval_bar(one: Comparison) -> str:
    """The interval against the margin: ``|`` the margins, ``0`` no difference, ``=`` the interval, ``o`` the value."""
    cells = [" "] * BAR

    def at(value: float) -> int:
        place = round((BAR - 1) * (0.5 + 0.5 * value / (REACH * one.margin)))
        return min(max(place, 0), BAR - 1)

    for place in range(at(one.low), at(one.high) + 1):
        cells[place] = "="
    cells[at(0.0)] = "0"
    for side in (-one.margin, one.margin):
        cells[at(side)] = "|"
    cells[at(one.value)] = "o"
    return "[" + "".join(cells) + "]"


def _amount(value: float, *, ratio: bool) -> str:
    return f"{100.0 * value:.2g} %" if ratio else f"{value:.3g}"


def _life(one: LifeResult) -> Iterator[str]:
    yield from folded(f"life of {one.variant} against {one.reference}: {one.words}", "")
    for name, failed, of in (
        (one.variant, one.n_failed[0], one.n_used[0]),
        (one.reference, one.n_failed[1], one.n_used[1]),
    ):
        yield f"  {name:<12} {failed} of {of} failed"
    if math.isfinite(one.p):
        how = "all labellings" if one.exact else "drawn labellings"
        yield from folded(f"log-rank by {how}: p {one.family_p:.3g} over the family, least {one.least_p:.2g}", "  ")
    if math.isfinite(one.ratio):
        ends = f"{one.low:.3g} to {one.high:.3g}"
        yield from folded(f"Weibull of one shape ({one.shape:.2f}): lives {one.ratio:.3g} times ({ends})", "  ")
    for name, words in one.survival:
        for text in words:
            yield from folded(text, f"  {name:<12} ", " " * 15)
