"""Where output goes, and what happens when its reader is gone."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import typer

from benchpipe.escapes import visible
from benchpipe.mirrors import spelled

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchpipe.errors import ExitCode
    from benchpipe.hints import Names
    from benchpipe.views.lab_view import Besides
    from benchpipe.views.model import RunView


def say(*lines: str) -> None:
    """Print lines on standard output, each as a terminal can be given it."""
    for line in lines:
        typer.echo(visible(spelled(line)))


def tell(*lines: str) -> None:
    """Say something on standard error, if anybody listens."""
    with suppress(OSError):
        for line in lines:
            typer.echo(visible(spelled(line)), err=True)


def tell_error(text: str) -> None:
    """Say what went wrong on standard error, in lines: an error has no others in it than its own."""
    tell(*f"error: {text}".split("\n"))


def open_streams() -> None:
    """Open streams that the caller closed (``>&-``) on the null device: otherwise a file of the store would get the
    number of one, and everything that a library prints there."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
    sys.stdout = sys.stdout or os.fdopen(1, "w", closefd=False)
    sys.stderr = sys.stderr or os.fdopen(2, "w", closefd=False)


def system_error(error: OSError) -> str:
    """What the system refused, and where."""
    return f"{error.strerror or error}" + (f"\n  where:    {visible(str(error.filename))}" if error.filename else "")


def drop_output() -> None:
    """Let all further standard output go nowhere: its reader has gone, or it cannot be written."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def named_view(view: RunView, names: Names) -> RunView:
    """The view with commands that can be pasted here."""
    from dataclasses import replace

    from benchpipe.views.texts import change_texts

    return replace(change_texts(view, names.filled), called=names.run)


def give_runs(
    views: list[RunView], code: ExitCode, names: Callable[[str], Names], *, as_json: bool, details: bool = True,
    besides: Besides | None = None,
) -> None:  # fmt: skip
    """Print runs on standard output. A reader that leaves early changes no exit code.

    Parameters
    ----------
    names : callable
        ``names(run)`` gives how a run is named in commands that are typed here.

    Raises
    ------
    OSError
        The output cannot be written for another reason.
    """
    from benchpipe.views.lab_view import NOTHING
    from benchpipe.views.texts import change_texts

    views = [named_view(view, names(view.run)) for view in views]
    besides = change_texts(besides or NOTHING, names("RUN").filled)
    try:
        if as_json:
            from benchpipe.report.document import to_json

            typer.echo(to_json(views, code, besides))
        else:
            from benchpipe.report.terminal import console, show

            show(console(), views, details=details, besides=besides)
        sys.stdout.flush()
    except BrokenPipeError:
        drop_output()
    except OSError as error:
        error.filename = error.filename or "standard output (what was worked on is kept)"
        raise
