"""Commands that give data: tables, and the raw rows behind a figure."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from benchpipe.cli.completion import complete_tables
from benchpipe.cli.naming import names_given
from benchpipe.cli.options import Json, Lab, Run, Store, loaded
from benchpipe.cli.output import say, tell
from benchpipe.errors import ConfigError, nearest

if TYPE_CHECKING:
    from benchpipe.run import RunConfig
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def export(
    run: Run,
    table: Annotated[
        str | None,
        typer.Argument(
            metavar="[TABLE]", help="cycles, holds, trends, verdicts …; else they are listed.",
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

    chosen, terminal = form_of(out, form), out is None and sys.stdout.isatty()
    if terminal and chosen in ("parquet", "xlsx"):
        raise ConfigError(f"{chosen} is not for a terminal", do_next="give --out FILE, or redirect the output")
    config, run_store, manifest = kept_run(run, lab, store)
    if table is None:
        say(*_listing(manifest), names_given(run, lab, store).filled("benchpipe export RUN TABLE --out FILE.csv"))
        return
    _tell_dropped(manifest)
    pieces = table_pieces(config, run_store, manifest, table, iso=iso)
    write_table(pieces, chosen, out, Style(units, terminal))


def trace(
    run: Run,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block of the plan.")],
    cycle: Annotated[int | None, typer.Option("--cycle", min=1, help="Number of a cycle.")] = None,
    hold: Annotated[int | None, typer.Option("--hold", min=1, help="Number of a hold.")] = None,
    relaxation: Annotated[int | None, typer.Option("--relaxation", min=1, help="Number of a relaxation.")] = None,
    sweep: Annotated[int | None, typer.Option("--sweep", min=1, help="Number of a sweep.")] = None,
    stance: Annotated[int | None, typer.Option("--stance", min=1, help="Number of a stance window.")] = None,
    proof: Annotated[int | None, typer.Option("--proof", min=1, help="Number of a proof.")] = None,
    lock_change: Annotated[int | None, typer.Option("--lock-change", min=1, help="Number of a lock change.")] = None,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """Show the raw rows that a figure comes from: file, rows, SHA-256 of the file.

    Example: benchpipe trace sample_runs/healthy/plan.toml durability --cycle 100
    """
    from benchpipe.views.trace import trace_rows

    given = {
        "cycle": cycle, "hold": hold, "relaxation": relaxation, "sweep": sweep, "stance": stance,
        "proof": proof, "lock_change": lock_change,
    }  # fmt: skip
    chosen = [(k, n) for k, n in given.items() if n is not None]
    if len(chosen) != 1:
        raise ConfigError("give one of --cycle, --hold, --relaxation, --sweep, --stance, --proof and --lock-change")
    config, run_store, manifest = kept_run(run, lab, store)
    _tell_dropped(manifest)
    for line in trace_rows(config, run_store, manifest, block, *chosen[0]):
        say(line)


def explain(
    run: Run,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block of the plan, or run.")],
    limit: Annotated[str, typer.Argument(metavar="LIMIT", help="Name of the limit.")],
    limits: Annotated[
        Path | None, typer.Option("--limits", metavar="FILE", help="Limit file, where two have a limit of that name.")
    ] = None,
    as_json: Json = False,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """Explain a verdict: its rule, the values used and left out, and the budget of its uncertainty.

    Example: benchpipe explain sample_runs/healthy/plan.toml durability "stiffness lost"
    """
    from benchpipe.report.document import json_text, plain
    from benchpipe.views.explaining import explained, explained_lines

    config, run_store, manifest = kept_run(run, lab, store)
    found = explained(config, run_store, manifest, block, limit, limits)
    if as_json:
        typer.echo(json_text(plain(found)))
        return
    for line in explained_lines(found):
        say(line)


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
