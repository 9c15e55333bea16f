"""The command that shows the loop of one cycle."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from benchpipe.cli.options import Json, Lab, RunArgument, Store, loaded
from benchpipe.cli.output import say
from benchpipe.errors import ConfigError


def loop(
    run: RunArgument,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Cyclic block of the plan.")],
    cycle: Annotated[int, typer.Argument(metavar="CYCLE", min=1, help="Number of a complete cycle.")],
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help="File for its points.")] = None,
    form: Annotated[
        Literal["csv", "parquet", "xlsx", "json"] | None,
        typer.Option("--format", help="Points on standard output in this format; else by the file's ending."),
    ] = None,
    units: Annotated[bool, typer.Option("--units", help="Units in the header of CSV and xlsx.")] = False,
    as_json: Json = False,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """Draw the loop of any cycle, or give its points: load against motion, closed.

    It is cut from the samples while they are there; of a run whose samples were dropped, loops that were kept remain.

    Example: benchpipe loop sample_runs/healthy/plan.toml durability 1000
    """
    from benchpipe.report.document import json_text, plain
    from benchpipe.report.loop_text import loop_lines
    from benchpipe.report.trend_text import can_draw
    from benchpipe.views.loop import loop_of
    from benchpipe.views.table_files import Style, form_of, write_table

    if as_json and (out is not None or form is not None):
        raise ConfigError("--json prints a document: leave out --out and --format")
    config = loaded(run, lab, store)
    points = out is not None or form is not None
    chosen = form_of(out, form) if points else None
    if chosen in ("parquet", "xlsx") and out is None and sys.stdout.isatty():
        raise ConfigError(f"{chosen} is not for a terminal", do_next="give --out FILE, or redirect the output")
    kept = config.open_store()
    found = loop_of(config, kept, kept.manifest(), block, cycle)
    if chosen is not None:
        write_table(iter([found.points]), chosen, out, Style(units))
        return
    if as_json:
        document = {
            "run": found.run, "block": found.block, "cycle": found.cycle, "units": found.units,
            "from_samples": found.from_samples, "why": found.why, "area": found.area,
            "points": found.points.to_pydict(),
        }  # fmt: skip
        typer.echo(json_text(plain(document)))
        return
    say(*loop_lines(found, plain=not can_draw(sys.stdout.encoding)))
