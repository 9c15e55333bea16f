"""The sections of the page of a run, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Iterator

from benchpipe.blocks.charts import Axis, Chart, FigureTable
from benchpipe.check.decision import Verdict, applies
from benchpipe.escapes import quoted
from benchpipe.report.page.html import figure, identifier, items, paragraph, section, table, twin
from benchpipe.report.page.loops import loop_tools
from benchpipe.report.page.markup import Markup, joined, tag
from benchpipe.report.page.plot import HEIGHT, WIDTH, panel_svg
from benchpipe.report.page.strip import strip_svg
from benchpipe.report.page.trends import trends_section
from benchpipe.report.page.words import answer, chart_notes, plain_unit, standing, verdict_mark
from benchpipe.report.signs import UNICODE, clock, margin_with_unit, number
from benchpipe.report.values import limit_text, measured_text
from benchpipe.views.caution import UNVERIFIED
from benchpipe.views.page.model import Facts, RunPage, ShownEvent

MOST_ALARMS = 12
OF_LIMIT = ("limits_file", "limit", "block")  # what names a verdict
LOOP_SIZE = (640.0, 400.0)
NOTHING = {"loops": "No loop was kept.", "load": "Nothing was held under load.", "free": "No sweep was made.",
           "proofs": "No proof and no lock change."}  # fmt: skip


def sections(page: RunPage) -> Iterator[Markup]:
    """All sections; of a run whose tables are not at hand, those that need none."""
    yield _stands(page)
    yield _limits(page)
    if is_bare(page):
        return
    yield _changed(page)
    yield _charts(page, "loops", "Loops")
    yield trends_section(page)
    yield _charts(page, "load", "Under load")
    yield _charts(page, "free", "Free")
    yield _charts(page, "proofs", "Proofs and lock changes")
    yield _charts(page, "rig", "The rig", *(_facts(one) for one in page.rig), before=_pace(page))
    yield _charts(page, "left-out", "Left out", *(_facts(one) for one in page.left_out))
    yield _budgets(page)
    yield section("origin", "Origin", *(_facts(one) for one in page.origin))


def is_bare(page: RunPage) -> bool:
    """Whether the tables of the run are not at hand: what is missing says nothing of the run then."""
    return page.view.failed is not None or bool(page.view.archived)


def _stands(page: RunPage) -> Markup:
    view = page.view
    alarms = [f"{f'since {a.since:%Y-%m-%d}: ' if a.since else ''}{a.text}" for a in view.alarms]
    more = len(alarms) - MOST_ALARMS
    if more > 0:
        alarms = [*alarms[:MOST_ALARMS], f"and {more:,} more: benchpipe show {view.called or view.run}"]
    parts = [paragraph(standing(page), "stands")]
    if view.failed is not None:
        parts.append(tag("pre", joined(view.failed.split("\n"), "\n")))
    parts += [paragraph(words) for words in (view.archived, view.signed, view.pauses) if words]
    if view.do_next:
        parts += [tag("h3", "What to do"), items(_with_command(step) for step in view.do_next)]
    if alarms:
        parts += [tag("h3", "What needs a look"), items(_with_command(line) for line in alarms)]
    return section("stands", "Where it stands", *parts)


def _with_command(line: str) -> Markup:
    """A line whose command can be copied."""
    head, name, command = line.partition("benchpipe ")
    return joined((head, tag("code", f"{name}{command}") if name else ""))


def _limits(page: RunPage) -> Markup:
    view, due = page.view, [m for m in page.margins if m.row["due"]]
    if not page.margins:
        return section("limits", "Limits", paragraph(f"No verdict: {view.limits_note or 'nothing was judged'}."))
    rows, rules = [], []
    for one in page.margins:
        row = one.row
        if not applies(row):
            continue
        remark = "; ".join(filter(None, ("near to failing" if one.marginal else "", row["remark"], row["left_out"])))
        rows.append((verdict_mark(Verdict(row["verdict"]), due=row["due"]), row["limit"], row["block"],
                     measured_text(row), limit_text(row), margin_with_unit(row["margin"], row["unit"], 3),
                     f"{row['used']:,} of {row['of']:,}", remark))  # fmt: skip
        verified = f"verified by {row['verified_by']}" if row["verified"] else f"{UNVERIFIED}, or the lab's own"
        rules.append((row["limit"], row["block"], row["rule"], verified, row["source"]))
    head = ("verdict", "name", "block", "measured ± U", "limit", "margin", "used", "remark")
    told = FigureTable(tuple(map(Axis, head)), tuple(rows))
    behind = FigureTable(tuple(map(Axis, ("name", "block", "decision rule", "verifier", "source"))), tuple(rules))
    absent = [m.row for m in page.margins if not applies(m.row)]
    parts: list[Markup] = []
    if due:
        parts.append(figure(
            "limits-strip", (_counted(page),),
            ("limit at nought; bar: value ± U, 95 %", "in per cent of the limit, or of the window between two"),
            strip_svg(page.margins), f"benchpipe export {view.called or quoted(view.run)} verdicts",
        ))  # fmt: skip
    parts.append(table(told, "All limits"))
    parts.append(twin(behind, "decision rules, verifiers and sources of the limits"))
    if absent:
        parts.append(paragraph("Not applicable: " + ", ".join(f"{r['limit']} ({r['block']})" for r in absent) + ".",
                               "dim"))  # fmt: skip
    if view.limits_note:
        parts.append(paragraph(view.limits_note, "dim"))
    return section("limits", "Limits", *parts)


def _counted(page: RunPage) -> str:
    due = [m.row["verdict"] for m in page.margins if m.row["due"]]
    counts = [f"{due.count(v)} {'failed' if v is Verdict.FAIL else v}" for v in Verdict if due.count(v)]
    waits = sum(not m.row["due"] and applies(m.row) for m in page.margins)
    near = sum(m.marginal for m in page.margins)
    more = [f"{near} near to failing"] if near else []
    more += [f"{waits} not due yet"] if waits else []
    return f"{', '.join([*counts, *more])}."


def _changed(page: RunPage) -> Markup:
    head = tuple(map(Axis, ("measure", "block", "since baseline", "last median", "largest departure")))
    rows = FigureTable(head, tuple(
        (c.label, c.block, UNICODE.none if c.change is None else f"{100.0 * c.change:+.3g} %",
         plain_unit(c.last, c.unit), _jump(c.block, c.worst))
        for c in page.changes
    ))  # fmt: skip
    parts = []
    if page.drift is None:
        parts.append(paragraph("Drift was not analysed: no events, phases or forecast.", "dim"))
    else:
        events = []
        for e in page.drift.events:
            known = e.low is not None and e.high is not None
            interval = _sized(e, f"{number(e.low, 3)} to {number(e.high, 3)}") if known else UNICODE.none
            size = _sized(e, number(e.size, 3)) if e.size is not None else UNICODE.none
            events.append((_jump(e.block, e.cycle), e.block, e.measure, e.text, size, interval, e.near))
        columns = ("cycle", "block", "measure", "what", "size", "95 % interval", "near")
        found = table(FigureTable(tuple(map(Axis, columns)), tuple(events)), "Events")
        parts.append(found if events else paragraph("No sudden change was found."))
        parts += [paragraph(words) for words in page.drift.forecast]
    parts.append(table(rows, "Change since the baseline") if page.changes else paragraph("No cycles were measured."))
    return section("changed", "What changed", *parts)


def _sized(event: ShownEvent, text: str) -> str:
    """A text with the unit of an event's size; a ratio has none."""
    return text if event.unit == "1" else f"{text} {event.unit}"


def _jump(block: str, cycle: int) -> Markup | str:
    """A link to the trends that zooms them about a cycle."""
    if not cycle:
        return UNICODE.none
    return tag("a", f"cycle {cycle:,}", href=f"#{identifier('trends', block)}", data_cycle=cycle,
               data_block=identifier(block))  # fmt: skip


def chart_figure(chart: Chart, page: RunPage) -> Markup:
    """A chart with its table and its command."""
    name = identifier(chart.block, chart.name)
    title = f"{chart.title}, {chart.block}"
    size = LOOP_SIZE if chart.section == "loops" else (WIDTH, HEIGHT)
    pictures = joined(panel_svg(panel, title, *size) for panel in chart.panels)
    tools = loop_tools(chart, name) if chart.section == "loops" else Markup("")
    inside = joined((tag("div", pictures, class_="panels") if chart.panels else "", tools))
    whole = chart.rows.rows and not chart.panels
    after = table(chart.rows, title) if whole else twin(chart.rows, title)
    command = chart.command.replace(" RUN", f" {page.view.called or quoted(page.view.run)}")
    return figure(name, answer(chart.answer), chart_notes(chart), inside, command, after=after,
                  class_=f"chart {chart.section}")  # fmt: skip


def _charts(page: RunPage, name: str, title: str, *more: Markup, before: str = "") -> Markup:
    charts = [chart for chart in page.charts if chart.section == name]
    made = [chart_figure(chart, page) for chart in charts]
    nothing = [paragraph(NOTHING[name], "dim")] if not made and name in NOTHING else []
    return section(name, title, before, *made, *nothing, *more)


def _pace(page: RunPage) -> Markup:
    """Pace and expected end in a sentence."""
    view, pace = page.view, page.view.pace
    words = [f"Rig: {view.rig}" if view.rig else "", f"{view.logs:,} logs"]
    if view.first_us is not None:
        first, last = (clock(us, dated=view.dated) for us in (view.first_us, view.last_us))
        words.append(f"{first} to {last}")
    if pace is not None and pace.per_day is not None:
        words.append(f"{pace.per_day:,.0f} cycles a day over the last day of the logs")
    if pace is not None and pace.end_us is not None:
        on = "on" if view.dated else "at"
        words.append(f"the last planned cycle is expected {on} {clock(pace.end_us, dated=view.dated)}")
    return paragraph(f"{'; '.join(filter(None, words))}.")


def _facts(facts: Facts) -> Markup:
    note = tag("p", _with_command(facts.note), class_="dim") if facts.note else ""
    listed = tag("div", table(facts.rows, facts.title), class_="quiet") if facts.rows.rows else ""
    return joined((tag("h3", f"{facts.title[:1].upper()}{facts.title[1:]}"), listed, note))


def _budgets(page: RunPage) -> Markup:
    """Uncertainty of each judged figure, part by part."""
    parts, view = [], page.view
    for one in page.margins:
        own = [b for b in page.budgets if all(b[key] == one.row[key] for key in OF_LIMIT)]
        if not own:
            continue
        rows = FigureTable(
            (Axis("part"), Axis("type"), Axis("standard u", own[0]["unit"]), Axis("share"), Axis("degrees of freedom"),
             Axis("taken from")),
            tuple((b["part"], b["kind"], b["standard_u"], None if b["share"] is None else f"{100 * b['share']:.0f} %",
                   b["dof"] if b["dof"] is not None else "∞", b["note"]) for b in own),
        )  # fmt: skip
        largest = max(own, key=lambda b: b["share"] or 0.0)
        words = f"{one.row['limit']} ({one.row['block']}): {measured_text(one.row)}; most from {largest['part']}"
        of_limit = f"{quoted(one.row['block'])} {quoted(one.row['limit'])}"
        command = f"benchpipe explain {view.called or quoted(view.run)} {of_limit}"
        parts.append(tag("details", tag("summary", words), tag("div", table(rows, words), class_="quiet"),
                         tag("p", "In full: ", tag("code", command), class_="source")))  # fmt: skip
    return section("sure", "How sure", *(parts or [paragraph("No figure with an uncertainty was judged.", "dim")]))
