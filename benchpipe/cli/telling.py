"""Telling people: after a night, and to try it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.options import lab_file
from benchpipe.errors import ExitCode

if TYPE_CHECKING:
    from benchpipe.night.lab import Night


def try_out(
    lab: Annotated[
        Path | None, typer.Argument(metavar="[LAB]", help="Lab file or its folder; else the nearest.")
    ] = None,
) -> int:
    """Send a test message to everyone that the lab file names.

    Example: benchpipe tell sample_runs/lab.toml
    """
    from benchpipe.run import load_lab

    path = lab_file(lab)
    config = load_lab(path)[0]
    if not config.tell:
        typer.echo("the lab file names nobody: add [[tell]] to it")
        return ExitCode.OK
    from benchpipe.notify.night import send_test

    result = send_test(config, path.parent)
    for label in result.told:
        typer.echo(f"{label}: sent")
    for why in result.not_told:
        typer.echo(f"not sent: {why}")
    return ExitCode.NOT_TOLD if result.not_told else ExitCode.OK


def tell_of(lab: Path, night: Night) -> tuple[ExitCode, tuple[str, ...]]:
    """Tell people of a night: its exit code then, and who could not be told, and why."""
    from benchpipe.run import load_lab

    config, _, store = load_lab(lab)
    if not config.tell:
        return night.code, ()
    from benchpipe.notify.night import tell_night
    from benchpipe.views.exit_codes import SEVERITY

    result = tell_night(config, lab.parent, store, night.views, night.store, night.began)
    codes = (night.code, ExitCode.NOT_TOLD if result.not_told else ExitCode.OK)
    return min(codes, key=SEVERITY.index), result.not_told
