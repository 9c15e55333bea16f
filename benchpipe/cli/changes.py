"""What changed between two states of a run."""

from __future__ import annotations

from typing import Annotated

import typer

from benchpipe.cli.data import kept_run
from benchpipe.cli.naming import names_given
from benchpipe.cli.options import Json, Lab, RunArgument, Store
from benchpipe.cli.output import say
from benchpipe.errors import ConfigError

VERSION = 1


def changes(
    run: RunArgument,
    since: Annotated[int | None, typer.Option("--from", metavar="STATE", min=1, help="Number of a state.")] = None,
    to: Annotated[int | None, typer.Option("--to", metavar="STATE", min=1, help="Default: the newest.")] = None,
    disk: Annotated[bool, typer.Option("--disk", help="Compare the newest state with the files on the disk.")] = False,
    as_json: Json = False,
    lab: Lab = None,
    store: Store = None,
) -> None:
    """List what changed between two states of a run: settings files, keys, verdicts.

    Default: the last two states of which the settings files differ.

    Example: benchpipe changes sample_runs/healthy/plan.toml --disk
    """
    from dataclasses import asdict

    from benchpipe.report.changes_text import changes_lines
    from benchpipe.report.document import json_text, plain
    from benchpipe.views.changes import changes_between, changes_on_disk, chosen, states

    if disk and (since is not None or to is not None):
        raise ConfigError("--disk compares the newest state: give it without --from and --to")
    config, run_store, manifest = kept_run(run, lab, store)
    if disk:
        found = changes_on_disk(config, run_store, manifest)
    else:
        found = changes_between(run_store, *chosen(states(run_store, manifest), config.name, since, to))
    if as_json:
        typer.echo(json_text(plain({"document": "benchpipe changes", "version": VERSION, **asdict(found)})))
        return
    say(*map(names_given(run, lab, store).filled, changes_lines(found)))
