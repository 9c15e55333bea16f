"""Notifications: after a night, and a test message."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.cli.options import lab_file
from benchpipe.cli.output import named_view, say
from benchpipe.errors import ExitCode
from benchpipe.escapes import quoted
from benchpipe.hints import Names

if TYPE_CHECKING:
    from benchpipe.night.lab import NightResult


def try_out(
    lab: Annotated[
        Path | None, typer.Argument(metavar="[LAB]", help="Lab file or its folder. Default: the nearest.")
    ] = None,
) -> int:
    """Send a test message to every recipient of the lab file.

    Example: benchpipe tell sample_runs/lab.toml
    """
    from benchpipe.run import load_lab

    path = lab_file(lab)
    config = load_lab(path)[0]
    if not config.tell:
        say("no recipients: add a [[tell]] section to the lab file")
        return ExitCode.OK
    from benchpipe.notify.night import send_test

    result = send_test(config, path.parent)
    for label in result.told:
        say(f"{label}: sent")
    for why in result.not_told:
        say(f"not sent: {why}")
    return ExitCode.NOT_TOLD if result.not_told else ExitCode.OK


def tell_of(lab: Path, night: NightResult) -> tuple[ExitCode, tuple[str, ...]]:
    """Send the notifications of a night; returns its exit code, and who could not be reached, and why."""
    from benchpipe.config.lab_file import read_lab

    config, _, store, _ = read_lab(lab)
    if not config.tell:
        return night.code, ()
    from benchpipe.notify.night import tell_night
    from benchpipe.views.exit_codes import SEVERITY
    from benchpipe.views.texts import change_texts

    views = [named_view(view, Names(f"{quoted(view.run)} --lab {quoted(lab)}", quoted(lab))) for view in night.views]
    findings = change_texts(night.store, Names("RUN", quoted(lab)).filled)
    result = tell_night(config, lab.parent, store, views, findings, night.began)
    codes = (night.code, ExitCode.NOT_TOLD if result.not_told else ExitCode.OK)
    return min(codes, key=SEVERITY.index), result.not_told
