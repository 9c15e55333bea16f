"""Commands that give data: tables, and the raw rows behind a figure."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from benchpipe.cli.completion import complete_tables
from benchpipe.cli.naming import names_given
from benchpipe.cli.options import Json, Lab, RunArgument, Store, loaded
from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError, nearest

if TYPE_CHECKING:
    from benchpipe.run import RunConfig
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


Limits = Annotated[
    Path | None, typer.Option("--limits", metavar="FILE", help="Limit file, where two have a limit of that name.")
]


def _numbered(what: str, called: str = "") -> Any:
    """The option for numbers of one kind of thing, and what that is called."""
    return typer.Option(f"--{what.replace(' ', '-')}", metavar="N or N-M", help=f"Number of a {called or what}.")


def export(
    run: RunArgument,
    table: Annotated[
        str | None,
        typer.Argument(
            metavar="[TABLE]",
            help="cycles, holds, trends, verdicts …; else they are listed.",
            autocompletion=complete_tables,
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help="File; else standard output.")] = None,
    form: Annotated[
        Literal["csv", "parquet", "xlsx", "json"] | None,
        typer.Option("--format", help="Else by the file's ending, else csv."),
    ] = None,
    units: Annotated[bool, typer.Option("--units", help="Units in the header of CSV and xlsx.")] = False,
    iso: Annotated[bool, typer.Option("--iso", help="Times as ISO 8601 by the rig's clock, not us.")] = False,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """Give a table of a run as CSV, Parquet, workbook (.xlsx) or JSON; without a table, list them.

    Example: benchpipe export sample_runs/healthy/plan.toml cycles --out cycles.csv
    """
    if table is not None:
        _must_be_known(table, run, lab, store)
    from benchpipe.views.export import table_pieces
    from benchpipe.views.table_files import Style, form_of, write_table

    chosen = form_of(out, form)
    if out is None and sys.stdout.isatty() and chosen in ("parquet", "xlsx"):
        raise ConfigError(f"{chosen} is not for a terminal", do_next="give --out FILE, or redirect the output")
    config, run_store, manifest = kept_run(run, lab, store)
    if table is None:
        say(*_listing(manifest), names_given(run, lab, store).filled("benchpipe export RUN TABLE --out FILE.csv"))
        return
    _tell_dropped(manifest)
    pieces = table_pieces(config, run_store, manifest, table, iso=iso)
    write_table(pieces, chosen, out, Style(units))


def trace(
    run: RunArgument,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block of the plan.")],
    cycle: Annotated[str, _numbered("cycle")] = "",
    hold: Annotated[str, _numbered("hold")] = "",
    relaxation: Annotated[str, _numbered("relaxation")] = "",
    sweep: Annotated[str, _numbered("sweep")] = "",
    stance: Annotated[str, _numbered("stance", "stance window")] = "",
    roll: Annotated[str, _numbered("roll", "pass")] = "",
    proof: Annotated[str, _numbered("proof")] = "",
    lock_change: Annotated[str, _numbered("lock change")] = "",
    limit: Annotated[str, typer.Option("--limit", metavar="LIMIT", help="All that a limit was judged on.")] = "",
    limits: Limits = None,
    rows: Annotated[bool, typer.Option("--rows", help="Print all raw rows, each beside its sample.")] = False,
    lab: Lab = None,
    store: Store = None,
) -> int:
    """Show the raw rows that a figure comes from: file, rows, SHA-256 of the file, and whether it is still that file.

    Exit code 0: the logs are as they were taken; 13: one changed; 11: one is gone, or cannot be read.

    Example: benchpipe trace sample_runs/healthy/plan.toml durability --cycle 100-102
    """
    from benchpipe.verify.line import code_of_states
    from benchpipe.views.trace import log_states, traced, traced_lines

    given = {
        "cycle": cycle, "hold": hold, "relaxation": relaxation, "sweep": sweep, "stance": stance,
        "roll": roll, "proof": proof, "lock_change": lock_change,
    }  # fmt: skip
    chosen = [(k, _number(f"--{k.replace('_', '-')}", n)) for k, n in given.items() if n]
    if len(chosen) + bool(limit) != 1:
        names = "--cycle, --hold, --relaxation, --sweep, --stance, --roll, --proof, --lock-change and --limit"
        raise ConfigError(f"give one of {names}")
    config, run_store, manifest = kept_run(run, lab, store)
    _tell_dropped(manifest)
    if limit:
        chosen = [_judged_on(config, run_store, manifest, block, limit, limits)]
    what, number = chosen[0]
    if what not in _events(config):
        raise ConfigError(f"the plan of run '{config.name}' has no block with a {what.replace('_', ' ')}")
    found = traced(config, run_store, manifest, block, what, number)
    states = log_states(config, manifest, found.logs)
    say(*traced_lines(config, found, block, what, number, states))
    if rows:
        from benchpipe.report.rows_text import rows_lines
        from benchpipe.views.raw_rows import raw_rows

        for one in found.logs:
            raw = raw_rows(config, run_store, manifest, one)
            say(*rows_lines(raw, None, dated=config.rig.time.shown_as_dates))
    return code_of_states(state.status for state in states.values())


def _number(option: str, text: str) -> int | tuple[int, int]:
    """A number of a cycle, hold or sweep, or the first and last of several.

    Raises
    ------
    ConfigError
        It is neither.
    """
    found = re.fullmatch(r"([1-9][0-9]{0,17})(?:-([1-9][0-9]{0,17}))?", text.strip())
    if found is None or (found[2] and int(found[2]) < int(found[1])):
        expected = "one from 1, such as 100, or a range: 100-120"
        raise ConfigError(f"'{text}' is no number for {option}", expected=expected)
    return (int(found[1]), int(found[2])) if found[2] else int(found[1])


def _judged_on(
    config: RunConfig, run_store: RunStore, manifest: Manifest, block: str, limit: str, limits: Path | None
) -> tuple[str, tuple[int, int]]:
    """What a limit was judged on: cycles, holds or sweeps, from which to which.

    Raises
    ------
    ConfigError
        There is no such limit, or it was judged on none.
    """
    from benchpipe.views.explaining import explained

    found = explained(config, run_store, manifest, block, limit, limits)
    what = found["origin"]["what"]
    if not what or found["first"] is None:
        raise ConfigError(
            f"the limit '{limit}' of '{block}' was judged on no cycle, hold or sweep", got=found["remark"] or None,
            do_next="see what it was judged on: benchpipe explain RUN BLOCK LIMIT",
        )
    return what, (found["first"], found["last"])


def _events(config: RunConfig) -> dict[str, Any]:
    from benchpipe.process.origins import events_of

    return events_of(config)


def explain(
    run: RunArgument,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block of the plan, or run.")],
    limit: Annotated[str, typer.Argument(metavar="LIMIT", help="Name of the limit.")],
    limits: Limits = None,
    rows: Annotated[
        bool, typer.Option("--rows", help="Print raw rows behind it, and compare them with the log.")
    ] = False,
    as_json: Json = False,
    lab: Lab = None,
    store: Store = None,
) -> int:
    """Explain a verdict: rule, limit, figure with its budget, formula, settings, samples, and the rows of the logs.

    With --rows a log that changed gives exit code 13, one that is gone 11.

    Example: benchpipe explain sample_runs/healthy/plan.toml durability "stiffness lost"
    """
    from dataclasses import asdict

    from benchpipe.report.document import json_text, plain
    from benchpipe.report.explain_text import explained_lines
    from benchpipe.report.rows_text import rows_lines
    from benchpipe.verify.line import code_of_states
    from benchpipe.views.explaining import explained, rows_behind

    config, run_store, manifest = kept_run(run, lab, store)
    found = explained(config, run_store, manifest, block, limit, limits)
    called, raw, states = rows_behind(config, run_store, manifest, found) if rows else ("", (), {})
    code = code_of_states(state.status for state in states.values())
    if as_json:
        if rows:
            found |= {"rows_of": called, "rows": [asdict(one) for one in raw],
                      "log_states": {file: asdict(state) for file, state in states.items()}}  # fmt: skip
        typer.echo(json_text(plain(found)))
        return code
    say(*map(names_given(run, lab, store).filled, explained_lines(found)))
    if rows:
        say("", f"raw rows of {called}" if called else "no raw rows: the figure is of no cycle, hold or sweep")
    for one in raw:
        say(*rows_lines(one, states.get(one.file), dated=config.rig.time.shown_as_dates))
    return code


def _must_be_known(table: str, run: str, lab: Path | None, store: Path | None) -> None:
    from benchpipe.tables import TABLES

    known = TABLES if table in TABLES else {**TABLES, **loaded(run, lab, store).tables}
    if table not in known:
        raise ConfigError(f"there is no table '{table}'", expected=nearest(table, list(known)))


def _listing(manifest: Manifest) -> Iterator[str]:
    """The tables of a run, a line each: name, rows, what a row is."""
    from benchpipe.tables import ROWS

    rows = dict.fromkeys(ROWS, 0)
    for part in manifest.parts():
        rows[part.table] = rows.get(part.table, 0) + (0 if part.dropped else part.rows)
    rows["remarks"] = sum(len(s.remarks) for s in manifest.sources)
    rows["remarks"] += sum(len(step.remarks) for step in manifest.steps.values())
    for name, count in rows.items():
        if count:
            yield f"{name:<18}{count:>12,}  {ROWS.get(name, '')}".rstrip()


def _tell_dropped(manifest: Manifest) -> None:
    """Report on standard error that the samples were dropped, when and by which command."""
    step = manifest.steps.get("keep")
    for remark in step.remarks if step is not None else ():
        tell(f"note: {remark.text}")


def kept_run(run: str, lab: Path | None, store: Path | None) -> tuple[RunConfig, RunStore, Manifest]:
    """A run and what the store has of it.

    Raises
    ------
    ConfigError
        Nothing.
    """

    config = loaded(run, lab, store)
    run_store = config.open_store()
    manifest = run_store.manifest()
    if not manifest.sources:
        raise ConfigError(
            f"nothing of run '{config.name}' is in the store yet",
            where=config.store,
            do_next="run this first: benchpipe ingest RUN",
        )
    return config, run_store, manifest
