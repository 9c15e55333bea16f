"""The terminal summary: read in ten seconds at 80 columns, plain where colour is not wanted."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from benchpipe.check.decision import Verdict
from benchpipe.report.caution import CAUTION, UNVERIFIED
from benchpipe.report.view import BlockView, Figure, RunView

STYLE = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.NOT_EVALUATED: "yellow",
}
BARS = "▁▂▃▄▅▆▇█"
ASCII_BARS = "_.-=+*#@"
MOST_REMARKS = 6


def number(value: float | None, digits: int = 4) -> str:
    """A value with ``digits`` significant digits, thousands set apart; ``–`` for none."""
    if value is None or not math.isfinite(value):
        return "–"
    if value == 0.0:
        return "0"
    if value == int(value) and abs(value) < 1e12:
        return f"{int(value):,}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    if places > 7:
        return f"{value:.{digits - 1}e}"
    return f"{round(value, places):,.{max(places, 0)}f}"


def with_unit(value: float | None, unit: str, digits: int = 4) -> str:
    """A value and its unit: ratios as per cent, long times in days."""
    if value is None or not math.isfinite(value):
        return "–"
    if unit == "1":
        return f"{number(100.0 * value, 3)} %"
    if unit == "s" and abs(value) >= 172_800:
        return f"{number(value / 86_400.0, 3)} d"
    return f"{number(value, digits)} {unit_shown(unit)}".rstrip()


def unit_shown(unit: str) -> str:
    """A unit as print shows it: ``N·m/°``."""
    shown = unit.replace("*", "·").replace("degC", "°C").replace("deg", "°")
    return "" if shown == "1" else shown


def sparkline(values: Iterable[float], bars: str = BARS) -> str:
    """A small trend from its own smallest to its largest value; flat where they are equal."""
    known = [v for v in values if math.isfinite(v)]
    if len(known) < 2:
        return ""
    low, high = min(known), max(known)
    span = high - low
    if span <= 1e-9 * max(abs(low), abs(high), 1e-300):
        return bars[len(bars) // 2] * len(known)
    return "".join(bars[min(int((v - low) / span * len(bars)), len(bars) - 1)] for v in known)


def clock(us: int | None, *, dated: bool) -> str:
    """A time on the run's axis: a date, or the time since the log began."""
    if us is None:
        return "–"
    if dated:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)).strftime("%Y-%m-%d %H:%M")
    return f"{number(us / 3.6e9, 3)} h"


def headline(view: RunView) -> tuple[str, str]:
    """The verdict in words, and its style."""
    if view.failed is not None:
        return "COULD NOT BE WORKED ON", "bold red"
    if not view.limits:
        return "NO LIMITS SET", "yellow"
    words = {
        Verdict.FAIL: "A LIMIT FAILED",
        Verdict.INCONCLUSIVE: "INCONCLUSIVE",
        Verdict.NOT_EVALUATED: "NOT EVALUATED",
        Verdict.PASS: "WITHIN LIMITS SO FAR" if view.running else "ALL LIMITS MET",
    }
    if view.verdict is Verdict.NOT_EVALUATED and not any(r["due"] for r in view.limits):
        return "NOTHING DUE YET", "yellow"
    return words[view.verdict], STYLE[view.verdict]


def run_summary(view: RunView, *, ascii_only: bool = False) -> RenderableType:
    """The summary of one run."""
    words, style = headline(view)
    head = Table.grid(expand=True)
    head.add_column(ratio=1)
    head.add_column(justify="right", no_wrap=True)
    head.add_row(Text(view.run, style="bold"), Text(words, style=style))
    parts: list[RenderableType] = [
        Rule(characters="-" if ascii_only else "─", style="dim"),
        head,
        Text(f"{view.specimen}; rig {view.rig}", style="dim"),
    ]
    if view.note:
        parts.append(Text(view.note, style="dim"))
    if view.failed is not None:
        parts.append(Padding(Text(view.failed), (0, 0, 0, 2)))
    else:
        parts += [_counts(view), Text(), _limits(view, ascii_only=ascii_only), Text()]
        bars = ASCII_BARS if ascii_only else BARS
        parts += [_block(block, bars) for block in view.blocks if block.done or block.planned]
        parts += _remarks(view)
    parts += [Text("next: " + step, style="bold") for step in view.do_next]
    return Group(*parts)


def _counts(view: RunView) -> Text:
    took = f"{view.samples:,} of {view.rows:,} rows taken from {view.logs} log(s)"
    left = [f"{view.rejects:,} rejected"] if view.rejects else []
    left += [f"{view.repeats:,} repeated"] if view.repeats else []
    span = f"{clock(view.first_us, dated=view.dated)} to {clock(view.last_us, dated=view.dated)}"
    return Text(f"{took}{', ' if left else ''}{', '.join(left)}; {span}")


def _limits(view: RunView, *, ascii_only: bool) -> RenderableType:
    if not view.limits:
        return Text("no limit file in the plan: nothing was judged", style="yellow")
    due = [row for row in view.limits if row["due"]]
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, expand=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("limit", ratio=1, overflow="fold")
    table.add_column("measured", justify="right", no_wrap=True)
    table.add_column("allowed", justify="right", no_wrap=True)
    table.add_column("margin", justify="right", no_wrap=True)
    for row in due:
        verdict = Verdict(row["verdict"])
        name = Text(_limit_name(row, view))
        if row["remark"]:
            name.append(f": {row['remark']}", "dim")
        table.add_row(
            Text(verdict, STYLE[verdict]), name, _measured(row, ascii_only), _allowed(row, ascii_only),
            with_unit(row["margin"], row["unit"], 3),
        )  # fmt: skip
    parts: list[RenderableType] = [table] if due else []
    parts += [
        Text(f"not due yet: {_limit_name(row, view)}: {row['remark']}", style="dim")
        for row in view.limits
        if not row["due"]
    ]
    if any(not row["verified"] for row in view.limits):
        parts.append(Text(f"* {UNVERIFIED}, or the lab's own. {'+-' if ascii_only else '±'} is U (k = 2).", style="dim"))
    return Group(*parts)


def _limit_name(row: dict[str, Any], view: RunView) -> str:
    """The limit's name, with the block where several blocks are judged by it."""
    same = [r for r in view.limits if (r["limits_file"], r["limit"]) == (row["limits_file"], row["limit"])]
    block = f" ({row['block']})" if len(same) > 1 else ""
    return f"{row['limit']}{'' if row['verified'] else '*'}{block}"


def _measured(row: dict[str, Any], ascii_only: bool) -> str:
    """Value and expanded uncertainty with one unit: ``0.223 ± 0.011 °``."""
    if row["measured"] is None or not row["expanded_u"]:
        return with_unit(row["measured"], row["unit"])
    value = with_unit(row["measured"], row["unit"])
    figure, _, unit = value.partition(" ")
    return f"{figure} {'+-' if ascii_only else '±'} {_u(row)} {unit}".rstrip()


def _allowed(row: dict[str, Any], ascii_only: bool) -> str:
    sign = row["operator"] if ascii_only else {"<=": "≤", ">=": "≥"}[row["operator"]]
    unit = row["unit"] if row["unit"] != "cycles" else ""
    value, _, shown = with_unit(row["value"], unit).partition(" ")
    value = value.rstrip("0").rstrip(".") if "." in value else value
    return f"{sign} {value} {shown}".rstrip()


def _u(row: dict[str, Any]) -> str:
    value = row["expanded_u"] * (100.0 if row["unit"] == "1" else 1.0)
    if row["unit"] == "s" and abs(row["measured"]) >= 172_800:
        value /= 86_400.0
    return number(value, 2)


def _block(block: BlockView, bars: str) -> RenderableType:
    things = {"cyclic": "cycles", "hold": "holds", "sweep": "sweeps"}.get(block.kind, "")
    head = Text(block.name, style="bold")
    if things:
        head.append(f"  {block.done:,}", style="not bold")
        if block.planned:
            share = f" ({100.0 * block.done / block.planned:.3g} %)" if block.kind == "cyclic" else ""
            head.append(f" of {block.planned:,} {things}{share}", style="not bold")
        else:
            head.append(f" {things}", style="not bold")
    table = Table.grid(padding=(0, 2, 0, 0))
    for justify in ("left", "right", "left", "right"):
        table.add_column(justify=justify, no_wrap=True)  # type: ignore[arg-type]
    for figure in block.figures:
        table.add_row(f"  {figure.name}", *_figure(figure, bars))
    return Group(head, table)


def _figure(figure: Figure, bars: str) -> tuple[str, str, str]:
    change = "" if figure.change is None else f"{figure.change:+.1%} since baseline"
    return with_unit(figure.value, figure.unit), sparkline(figure.trend, bars), change


def _remarks(view: RunView) -> list[RenderableType]:
    lines = [f"{rows:,} row(s) rejected: {reason}" for reason, rows in view.reasons]
    lines += [f"{r.where}: {r.text}" for r in view.remarks]
    shown = [Text(f"! {line}", style="yellow") for line in lines[:MOST_REMARKS]]
    if len(lines) > MOST_REMARKS:
        shown.append(Text(f"! and {len(lines) - MOST_REMARKS} more: benchpipe export {view.run} remarks", "yellow"))
    return [*shown, Text()] if shown else []


def runs_table(views: list[RunView]) -> RenderableType:
    """One line a run, worst first."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, expand=True)
    table.add_column("run", no_wrap=True)
    table.add_column("specimen", ratio=1, overflow="ellipsis", no_wrap=True)
    table.add_column("cycles", justify="right", no_wrap=True)
    table.add_column("done", justify="right", no_wrap=True)
    table.add_column("state", no_wrap=True)
    for view in views:
        words, style = headline(view)
        cyclic = [b for b in view.blocks if b.kind == "cyclic"]
        done = sum(b.done for b in cyclic)
        planned = sum(b.planned or 0 for b in cyclic)
        share = f"{100.0 * done / planned:.3g} %" if planned else ""
        table.add_row(view.run, view.specimen, f"{done:,}" if cyclic else "–", share, Text(words.lower(), style))
    return table


def show(console: Console, views: list[RunView], *, details: bool = True) -> None:
    """Print summaries, worst run first, and the caution."""
    ascii_only = not _can_draw(console)
    if details:
        for view in views:
            console.print(run_summary(view, ascii_only=ascii_only))
    if len(views) > 1:
        console.print(Rule(characters="-" if ascii_only else "─", style="dim"))
        console.print(runs_table(views))
    console.print(Text(CAUTION, style="dim"))


def _can_draw(console: Console) -> bool:
    try:
        BARS.encode(console.encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True
