"""The page of a bumper choice: one file that asks for nothing from any place."""

from __future__ import annotations

from collections.abc import Iterator

from benchpipe import __version__
from benchpipe.blocks.charts import Chart
from benchpipe.report.page.document import asset, document
from benchpipe.report.page.html import figure, identifier, items, paragraph, section, table, twin
from benchpipe.report.page.markup import Markup, joined, tag
from benchpipe.report.page.plot import panel_svg
from benchpipe.report.page.words import answer, chart_notes
from benchpipe.store.manifest import key_of
from benchpipe.views.bumpers import choice_document
from benchpipe.views.caution import CAUTION
from benchpipe.views.page.bumper_page import BumperPage


def bumper_document(page: BumperPage) -> str:
    """The page of a choice."""
    found, aim = page.choice, page.choice.target
    state = key_of([__version__, repr(choice_document(found))])
    header = tag(
        "header", tag("h1", f"{found.model}: which to try next"),
        tag("p", f"{aim.mass_kg:g} kg at {aim.speed_m_s:.2f} m/s, compared at {found.compared_at_nm:.3g} N·m and "
                 f"{found.rate_deg_s:.3g} deg/s", class_="dim"),
    )  # fmt: skip
    names = (("said", "What it says"), ("bumpers", "Bumpers"), ("notes", "Notes"))
    nav = joined((tag("a", title, href=f"#{name}") for name, title in names), " ")
    body = joined((
        tag("a", "Skip to the bumpers", href="#bumpers", class_="skip"), header,
        tag("nav", nav, aria_label="Sections"), tag("main", joined(_sections(page), "\n")),
        tag("footer", tag("p", CAUTION), tag("p", f"Made by benchpipe {__version__} from state {state[:12]}.")),
    ), "\n")  # fmt: skip
    return document(f"{found.model}: choice", state, body, "", asset("page.css") + asset("figures.css"))


def _sections(page: BumperPage) -> Iterator[Markup]:
    found, aim = page.choice, page.choice.target
    source = f"Target: {aim.file}. Source: {aim.source} ({'verified' if aim.verified else 'not verified'})."
    first, *others = page.charts
    yield section(
        "said", "What it says", paragraph(tag("b", f"{found.words}.")), paragraph(found.caution), paragraph(source),
        table(first.rows, "Measured bumpers, nearest to the target first"),
    )  # fmt: skip
    yield section("bumpers", "Bumpers", *(_figure(chart) for chart in (first, *others)))
    notes = [*found.notes, *page.remarks]
    yield section("notes", "Notes", items(notes) or paragraph("None.", "dim"))


def _figure(chart: Chart) -> Markup:
    """A chart with its table and its command."""
    pictures = joined(panel_svg(panel, chart.title) for panel in chart.panels)
    return figure(
        identifier(chart.block, chart.name), answer(chart.answer), chart_notes(chart),
        tag("div", pictures, class_="panels"), chart.command,
        after=twin(chart.rows, chart.title), class_="chart trends",
    )  # fmt: skip
