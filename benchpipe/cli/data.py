"""Commands that give data: tables, and the raw rows behind a figure."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from benchpipe.cli.options import Json, Lab, Run, Store, loaded
from benchpipe.cli.output import in_one_line, tell
from benchpipe.errors import ConfigError, nearest

if TYPE_CHECKING:
    from benchpipe.run import RunConfig
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


def export(
    run: Run,
    table: Annotated[str, typer.Argument(metavar="TABLE", help="cycles, loops, holds, sweeps, trends, verdicts …")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="File. Default: standard output.")
    ] = None,
    form: Annotated[
        Literal["csv", "parquet"] | None, typer.Option("--format", help="Default: by the file's ending, otherwise csv.")
    ] = None,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """Give a table of a run as CSV or Parquet.

    Example: benchpipe export sample_runs/healthy/plan.toml cycles --out cycles.csv
    """
    from benchpipe.tables import TABLES

    if table not in TABLES:
        raise ConfigError(f"there is no table '{table}'", expected=nearest(table, list(TABLES)))
    chosen = form or ("parquet" if out is not None and out.suffix == ".parquet" else "csv")
    if out is None and chosen == "parquet" and sys.stdout.isatty():
        raise ConfigError("Parquet is not for a terminal", do_next="give --out FILE, or redirect the output")
    _, run_store, manifest = _kept(run, lab, store)
    _tell_dropped(manifest)
    from benchpipe.views.export import write_table

    write_table(run_store, manifest, table, chosen, out)


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
    config, run_store, manifest = _kept(run, lab, store)
    _tell_dropped(manifest)
    for line in trace_rows(config, run_store, manifest, block, *chosen[0]):
        typer.echo(in_one_line(line))


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
    import json

    from benchpipe.report.document import plain
    from benchpipe.views.explaining import explained, explained_lines

    config, run_store, manifest = _kept(run, lab, store)
    found = explained(config, run_store, manifest, block, limit, limits)
    if as_json:
        typer.echo(json.dumps(plain(found), indent=1, allow_nan=False))
        return
    for line in explained_lines(found):
        typer.echo(in_one_line(line))


def _tell_dropped(manifest: Manifest) -> None:
    """Report on standard error that the samples were dropped, when and by which command."""
    step = manifest.steps.get("keep")
    for remark in step.remarks if step is not None else ():
        tell(f"note: {remark.text}")


def _kept(run: str, lab: Path | None, store: Path | None) -> tuple[RunConfig, RunStore, Manifest]:
    """A run and what the store has of it.

    Raises
    ------
    ConfigError
        Nothing.
    """
    from benchpipe.store.run_store import RunStore

    config = loaded(run, lab, store)
    run_store = RunStore(config.store, config.name)
    manifest = run_store.manifest()
    if not manifest.sources:
        raise ConfigError(
            f"nothing of run '{config.name}' is in the store yet",
            where=config.store,
            do_next=f"run this first: benchpipe ingest {shlex.quote(str(config.plan_path))}",
        )
    return config, run_store, manifest
