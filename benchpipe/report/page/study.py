"""The page of a study: one file that asks for nothing from any place."""

from __future__ import annotations

from collections.abc import Iterator

from benchpipe import __version__
from benchpipe.blocks.charts import Axis, Chart, FigureTable
from benchpipe.report.page.document import asset, document
from benchpipe.report.page.html import figure, identifier, items, paragraph, section, table, twin
from benchpipe.report.page.markup import Markup, joined, tag
from benchpipe.report.page.plot import panel_svg
from benchpipe.report.page.words import answer, chart_notes
from benchpipe.store.manifest import key_of
from benchpipe.views.caution import CAUTION
from benchpipe.views.comparison import comparison_document
from benchpipe.views.page.study_page import StudyPage

SIDE_BY_SIDE = ("parallel", "loops", "drift")


def study_document(page: StudyPage) -> str:
    """The page of a study."""
    found = page.result
    state = key_of([__version__, repr(comparison_document(found))])
    header = tag(
        "header", tag("h1", found.name),
        tag("p", f"{found.question} against {found.reference}; intervals of {100 * found.confidence:.4g} % for all "
                 "comparisons together", class_="dim"),
    )  # fmt: skip
    names = (("said", "What it says"), ("measures", "Measures"), ("beside", "Run beside run"), ("left-out", "Left out"))
    nav = joined((tag("a", title, href=f"#{name}") for name, title in names), " ")
    body = joined((
        tag("a", "Skip to the measures", href="#measures", class_="skip"), header,
        tag("nav", nav, aria_label="Sections"), tag("main", joined(_sections(page), "\n")),
        tag("footer", tag("p", CAUTION), tag("p", f"Made by benchpipe {__version__} from state {state[:12]}.")),
    ), "\n")  # fmt: skip
    style = asset("page.css") + asset("figures.css")
    return document(f"{found.name}: {found.question}", state, body, "", style)


def _sections(page: StudyPage) -> Iterator[Markup]:
    found = page.result
    yield section("said", "What it says", _outcomes(page), *_lives(page))
    single = [chart for chart in page.charts if not chart.name.startswith(SIDE_BY_SIDE)]
    beside = [chart for chart in page.charts if chart.name.startswith(SIDE_BY_SIDE)]
    yield section("measures", "Measures", *(_figure(chart, page) for chart in single))
    yield section("beside", "Run beside run", *(_figure(chart, page) for chart in beside))
    lines = [f"{one.run} ({one.variant}): {one.why}" for one in found.left_out]
    notes = [f"{m.measure}: {note}" for m in found.measures for note in m.notes]
    yield section("left-out", "Left out", items(lines) or paragraph("Every run of the study file is in it.", "dim"),
                  items([*found.notes, *notes]))  # fmt: skip


def _outcomes(page: StudyPage) -> Markup:
    """All comparisons, worst first."""
    head = ("measure", "comparison", "difference", "interval", "outcome", "in words", "could show", "specimens")
    rows = []
    for m in page.result.measures:
        ratio = m.scale == "ratio"
        scale, unit = (100.0, " %") if ratio else (1.0, f" {m.unit}")
        for one in m.comparisons:
            known = one.outcome != "not analysed"
            rows.append((
                m.measure, f"{one.variant} {'/' if ratio else '−'} {one.reference}",
                f"{scale * one.value:+.3g}{unit}" if known else None,
                f"{scale * one.low:+.3g} to {scale * one.high:+.3g}{unit}" if known else None, one.outcome, one.words,
                f"± {scale * one.could_show:.3g}{unit}" if known else None, f"{one.n} and {one.n_reference}",
            ))  # fmt: skip
    return table(FigureTable(tuple(map(Axis, head)), tuple(rows)), "All comparisons, worst first")


def _lives(page: StudyPage) -> Iterator[Markup]:
    for one in page.result.lives:
        words = [words for _, lines in one.survival for words in lines]
        yield paragraph(f"Life of {one.variant} against {one.reference}: {one.words}")
        yield items(words)


def _figure(chart: Chart, page: StudyPage) -> Markup:
    """A chart with its table and its command."""
    pictures = joined(panel_svg(panel, chart.title) for panel in chart.panels)
    command = chart.command.replace(" STUDY", f" {page.called}")
    return figure(
        identifier(chart.block, chart.name), answer(chart.answer), chart_notes(chart),
        tag("div", pictures, class_="panels"), command, after=twin(chart.rows, chart.title), class_="chart trends",
    )  # fmt: skip
