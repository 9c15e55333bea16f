"""The terminal summary: read in ten seconds at 80 columns, plain where colour is not wanted."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from rich import box
from rich.console import Console, ConsoleOptions, Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from benchpipe.blocks.figures import BlockView, Figure
from benchpipe.check.decision import NOT_APPLICABLE, Verdict, applies
from benchpipe.drift.words import TOLD, based_lines, event_place, event_words, forecast_words, told_events
from benchpipe.escapes import visible
from benchpipe.health.finding import Finding
from benchpipe.report.signs import ASCII, UNICODE, Marks, clock, margin_with_unit, number, unit_shown
from benchpipe.report.small_trends import common_scale, scale_words, small_trend
from benchpipe.report.values import figure_text, headline_words, limit_text, measured_text
from benchpipe.views.caution import CAUTION, UNVERIFIED
from benchpipe.views.lab_rows import NONE, lab_row
from benchpipe.views.lab_view import NOTHING, Besides
from benchpipe.views.model import RunView
from benchpipe.views.specimen_views import lab_test_lines
from benchpipe.views.texts import change_texts

STYLE = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.NOT_EVALUATED: "yellow",
}
MOST_REMARKS = 6
_IN_BRACKETS = re.compile(r" \([^)]*\)")
MOST_OVER_LIFE = 5
LEAST_WIDTH = 70  # of a terminal for tables: in a narrower one their names would be cut off

MANY = 100  # planned: so many that their share is shown


def headline(view: RunView) -> tuple[str, str]:
    """The verdict in words, and its style."""
    words = headline_words(view)
    if view.failed is not None:
        return words, "bold red"
    if view.archived:
        return words, "dim"
    decided = view.judged and view.limits and any(r["due"] for r in view.limits)
    return words, STYLE[view.verdict] if decided else "yellow"


def run_summary(view: RunView, marks: Marks = UNICODE) -> RenderableType:
    """The summary of one run."""
    words, style = headline(view)
    head = Table.grid(expand=True)
    head.add_column(ratio=1)
    head.add_column(justify="right", no_wrap=True)
    head.add_row(Text(view.run, style="bold"), Text(words, style=style))
    parts: list[RenderableType] = [
        Rule(characters=marks.rule, style="dim"),
        head,
        Text(f"{view.specimen}; rig {view.rig or marks.none}", style="dim"),
    ]
    if view.note:
        parts.append(Text(view.note, style="dim"))
    if view.failed is not None:
        parts += [Item(" ", line, "") for line in view.failed.split("\n")]
        if view.stored is not None:
            parts += [Text(), Text("As it was before, from the store:", style="bold"), *_results(view.stored, marks)]
    elif view.archived:
        parts.append(Padding(Text("\n".join(filter(None, (view.archived, view.signed)))), (0, 0, 0, 2)))
    else:
        parts += _results(view, marks)
    parts += [Item("next:", step, "bold") for step in view.do_next]
    return Group(*parts)


def _results(view: RunView, marks: Marks) -> Iterator[RenderableType]:
    """Rows, limits, blocks and remarks of a run."""
    yield from (_counts(view, marks), Text(), _limits(view, marks), Text())
    yield from (_block(block, marks) for block in view.blocks if block.done or block.planned)
    yield from _drift(view)
    yield from _health(view.health)
    yield from _remarks(view)


def _drift(view: RunView) -> Iterator[RenderableType]:
    """A line for each event and each forecast."""
    for row in told_events(view.events):
        yield Item("!", f"{event_place(row)}: {event_words(row)}", "yellow")
    yield from (Item(" ", line, "") for line in based_lines(view.events))
    for row in view.forecasts:
        if row["cycle"] is not None:
            yield Item(" ", f"{row['block']}: {forecast_words(row)}", "yellow" if row["expected"] else "")


@dataclass(frozen=True)
class Item:
    """A mark, and a text that wraps beside it; a command in it that does not fit is whole in a line of its own."""

    mark: str
    text: str
    style: str

    def __rich_console__(self, screen: Console, options: ConsoleOptions) -> Iterator[RenderableType | Segment]:
        head, name, command = self.text.partition("benchpipe ")
        if not name or len(f"{self.mark} {self.text}") <= options.max_width:
            head, name, command = self.text, "", ""
        line = Table.grid(padding=(0, 1, 0, 0))
        line.add_column()
        line.add_column(overflow="fold")  # a path may be longer than a line
        line.add_row(Text(self.mark, self.style), Text(head.rstrip(), self.style))
        yield line
        if name:
            yield Segment(f"  {name}{command}", screen.get_style(self.style or "none"))
            yield Segment.line()


def _counts(view: RunView, marks: Marks) -> Text:
    took = f"{view.samples:,} of {view.rows:,} rows taken from {view.logs} log(s)"
    left = [f"{view.rejects:,} rejected"] if view.rejects else []
    left += [f"{view.repeats:,} repeated"] if view.repeats else []
    first, last = (clock(us, dated=view.dated, marks=marks) for us in (view.first_us, view.last_us))
    more = "".join(f"\n{text}" for text in (view.signed, view.verified, view.made_with, view.settings) if text)
    pauses = f"; {view.pauses}" if view.pauses else ""
    return Text(f"{', '.join([took, *left])}; {first} to {last}{pauses}{more}")


@dataclass(frozen=True)
class _Fitting:
    """A table, and the lines that stand for it where a terminal has no room for one."""

    table: RenderableType
    lines: RenderableType

    def __rich_console__(self, _: Console, options: ConsoleOptions) -> Iterator[RenderableType]:
        yield self.table if options.max_width >= LEAST_WIDTH else self.lines


def _limits(view: RunView, marks: Marks) -> RenderableType:
    if not view.judged:
        return Text("nothing was judged yet", style="yellow")
    if not view.limits:
        return Text("no limit file in the plan: nothing was judged", style="yellow")
    due = [row for row in view.limits if row["due"]]
    lines = []
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, expand=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("name", ratio=1, overflow="fold")
    table.add_column("measured", justify="right", no_wrap=True)
    table.add_column("limit", justify="right", no_wrap=True)
    table.add_column("margin", justify="right", no_wrap=True)
    for row in due:
        verdict = Verdict(row["verdict"])
        name = Text(_limit_name(row, view))
        if row["remark"]:
            name.append(f": {row['remark']}", "dim")
        if row["left_out"] and row["left_out"] not in row["remark"]:
            name.append(f" ({row['used']:,} of {row['of']:,}; {_IN_BRACKETS.sub('', row['left_out'])})", "dim")
        margin = margin_with_unit(row["margin"], row["unit"], 3, marks)
        cells = measured_text(row, marks), limit_text(row, marks), margin
        table.add_row(Text(verdict, STYLE[verdict]), name, *cells)
        lines.append(Item(f"{verdict}:", f"{name}: {cells[0]}, limit {cells[1]}, margin {cells[2]}", STYLE[verdict]))
    parts: list[RenderableType] = [_Fitting(table, Group(*lines))] if due else []
    parts += [
        Text(f"not due yet: {_limit_name(row, view)}: {row['remark']}", style="dim")
        for row in view.limits
        if not row["due"] and applies(row)
    ]
    parts += [Text(line, style="dim") for line in _not_applicable(view)]
    if any(not row["verified"] for row in view.limits):
        parts.append(Text(f"* {UNVERIFIED}, or the lab's own", style="dim"))
    parts += [Text(line, style="dim") for line in _rules(view, due, marks)]
    return Group(*parts)


def _not_applicable(view: RunView) -> Iterator[str]:
    """Limits on what the plan does not have, one line for each reason."""
    absent = [row for row in view.limits if not applies(row)]
    for why in dict.fromkeys(row["remark"] for row in absent):
        names = ", ".join(_limit_name(row, view) for row in absent if row["remark"] == why)
        yield f"{NOT_APPLICABLE}: {names}: {why.removeprefix(f'{NOT_APPLICABLE}: ')}"


def _rules(view: RunView, due: list[dict[str, Any]], marks: Marks) -> Iterator[str]:
    """Who verified limits, by which rules they were judged, and how many passes could be false together."""
    for who in dict.fromkeys(row["verified_by"] for row in due if row["verified_by"]):
        names = ", ".join(row["limit"] for row in due if row["verified_by"] == who)
        yield f"verified by {who}: {names}"
    if any(row["expanded_u"] for row in due):
        yield f"{marks.plus_minus} expanded uncertainty, 95 %"
    yield from dict.fromkeys(row["rule"] for row in due if row["expanded_u"])
    if view.together is not None and view.together.passes > 1:
        yield view.together.text


def _limit_name(row: dict[str, Any], view: RunView) -> str:
    """The limit's name, with the block where several blocks are judged by it."""
    same = [r for r in view.limits if (r["limits_file"], r["limit"]) == (row["limits_file"], row["limit"])]
    block = f" ({row['block']})" if len(same) > 1 else ""
    return f"{row['limit']}{'' if row['verified'] else '*'}{block}"


def _block(block: BlockView, marks: Marks) -> RenderableType:
    things = block.things
    head = Text(block.name, style="bold")
    if things:
        head.append(f"  {block.done:,}", style="not bold")
        if block.planned:
            share = f" ({100.0 * block.done / block.planned:.3g} %)" if block.planned >= MANY else ""
            head.append(f" of {block.planned:,} {things}{share}", style="not bold")
        else:
            head.append(f" {things}", style="not bold")
    if block.said:
        head.append(f": {block.said}", style="not bold")
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(justify="right", overflow="fold")
    lines = []
    scale = common_scale(figure for figure in block.figures if not figure.group)
    for figure in block.figures:
        if not figure.group:
            value = figure_text(figure, marks)
            bars, change = small_trend(figure, scale, marks)
            table.add_row(f"  {figure.name}", value, bars, change)
            lines.append(Item(" ", f"{figure.name}: {value}{change and f', {change}'}", ""))
    groups = dict.fromkeys(f.group for f in block.figures if f.group)
    grouped = (_grouped(g, [f for f in block.figures if f.group == g], marks) for g in groups)
    note = [] if scale is None else [Text(f"  {scale_words(scale)}", style="dim")]
    return Group(head, _Fitting(Group(table, *note), Group(*lines)), *grouped)


def _grouped(group: str, figures: list[Figure], marks: Marks) -> RenderableType:
    """Figures of a group in one line, with their unit once; of many over a run's life, some."""
    if figures[0].after is not None and len(figures) > MOST_OVER_LIFE:
        last = len(figures) - 1
        figures = [figures[round(last * k / (MOST_OVER_LIFE - 1))] for k in range(MOST_OVER_LIFE)]
    values = ", ".join(f"{figure.name} {number(figure.value, 3, marks)}" for figure in figures)
    return Padding(Text(f"{group}: {values} {unit_shown(figures[0].unit, marks)}"), (0, 0, 0, 2))


def _health(found: tuple[Finding, ...]) -> list[RenderableType]:
    """What is not well with a rig or a store, and what to do."""
    lines = [Item(f"{one.code}:", f"{one.text}. Next: {one.do_next}", "bold yellow") for one in found]
    return [*lines, Text()] if lines else []


def _remarks(view: RunView) -> list[RenderableType]:
    lines = [f"{rows:,} row(s) rejected: {reason}" for reason, rows in view.reasons]
    lines += [f"{r.where}: {r.text}" for r in view.remarks if r.code not in TOLD]
    shown = lines[:MOST_REMARKS]
    if len(lines) > MOST_REMARKS:
        shown.append(f"and {len(lines) - MOST_REMARKS} more: benchpipe export {view.called or view.run} remarks")
    return [*(Item("!", line, "yellow") for line in shown), Text()] if shown else []


def runs_table(views: list[RunView], marks: Marks = UNICODE) -> RenderableType:
    """One row a run, worst first."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, expand=True)
    table.add_column("run", ratio=1, overflow="fold")
    for name in ("cycles", "a day", "end"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("rig", no_wrap=True)
    table.add_column("new", justify="right", no_wrap=True)
    table.add_column("limits", overflow="fold", max_width=16)
    lines = []
    for row in map(lab_row, views):
        said = f"{row.limits}; cycles {row.cycles}, a day {row.per_day}, end {row.end}, rig {row.rig}, new {row.new}"
        lines.append(Item(f"{row.run}:", said, STYLE[row.verdict] if row.verdict else ""))
        cells = [marks.none if cell == NONE else cell for cell in (row.cycles, row.per_day, row.end)]
        rig = Text(marks.none if row.rig == NONE else row.rig, "bold red" if row.rig in ("stopped", "slow") else "")
        new = Text(marks.none if row.new == NONE else row.new, "" if row.new == NONE else "bold")
        table.add_row(row.run, *cells, rig, new, Text(row.limits, STYLE[row.verdict] if row.verdict else ""))
    return _Fitting(table, Group(*lines))


def _notes(view: RunView) -> list[RenderableType]:
    """What there is to look at in a run: new alarms first, then for how long the others stand."""
    steps = {(found.code, found.where): f". Next: {found.do_next}" for found in view.health}
    lines = [
        f"{'new: ' if alarm.new else f'since {alarm.since:%Y-%m-%d}: ' if alarm.since else ''}{alarm.text}"
        f"{steps.get((alarm.code, alarm.where), '')}"
        for alarm in view.alarms
    ]
    shown = lines[:MOST_REMARKS]
    if len(lines) > MOST_REMARKS:
        shown.append(f"and {len(lines) - MOST_REMARKS} more: benchpipe show {view.called or view.run}")
    return [Item(f"{view.run}:", line, "") for line in shown]


class _SummaryConsole(Console):
    def on_broken_pipe(self) -> None:
        """Leave it to the command, which has an exit code to keep."""
        raise BrokenPipeError


def console(**options: Any) -> Console:
    """Standard output: plain where it is no terminal or colour is not wanted. No text is read as markup."""
    return _SummaryConsole(highlight=False, soft_wrap=False, markup=False, emoji=False, **options)


def show(screen: Console, views: list[RunView], *, details: bool = True, besides: Besides = NOTHING) -> None:
    """Print summaries, worst run first, and the caution.

    Without details: one table over all runs and what there is to look at, and why a run could not be processed.
    """
    marks = UNICODE if _can_draw(screen) else ASCII
    views, besides = [_visible(view) for view in views], change_texts(besides, visible)
    for view in views:
        if details or view.failed is not None:
            screen.print(run_summary(view, marks), crop=False)  # a command may be longer than a line
    if len(views) > 1 or not details:
        screen.print(Rule(characters=marks.rule, style="dim"))
        screen.print(runs_table(views, marks))
    if not details:
        notes = [note for view in views if view.failed is None for note in _notes(view)]
        screen.print(*([Text(), *notes] if notes else []), sep="\n", crop=False)
    for lines in map(lab_test_lines, besides.tests):
        drawn = [Item(mark, text, STYLE[v] if v else "") for mark, text, v in lines]
        screen.print(*drawn, Text(), sep="\n", crop=False)
    for line in (*_health(besides.store), *(Item("not told:", why, "bold red") for why in besides.not_told)):
        screen.print(line, crop=False)
    screen.print(Text(CAUTION, style="dim"))


def _visible(view: RunView) -> RunView:
    """The view with texts that a terminal can be given. An error's lines stay lines: it has no others in it."""
    failed = None if view.failed is None else "\n".join(map(visible, view.failed.split("\n")))
    return replace(change_texts(view, visible), failed=failed)


def _can_draw(screen: Console) -> bool:
    signs = "".join((UNICODE.bars, UNICODE.rule, UNICODE.none, UNICODE.plus_minus, UNICODE.at_most, UNICODE.at_least))
    try:
        (signs + "·°").encode(screen.encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True
