"""Where output goes, and what happens when its reader is gone."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from benchpipe.errors import ExitCode
    from benchpipe.views.lab_view import Besides
    from benchpipe.views.model import RunView


def tell(text: str) -> None:
    """Print a line on standard error, if it is open."""
    with suppress(OSError):
        typer.echo(text, err=True)


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


def in_one_line(text: str) -> str:
    """A text that holds the name of a log, with control characters replaced by their names."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def system_error(error: OSError) -> str:
    """Make an error of a refusal of the system, with its place."""
    return f"{error.strerror or error}" + (f"\n  where:    {error.filename}" if error.filename else "")


def drop_output() -> None:
    """Let all further standard output go nowhere: its reader has gone, or it cannot be written."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def give_runs(
    views: list[RunView], code: ExitCode, *, as_json: bool, details: bool = True, besides: Besides | None = None
) -> None:
    """Print runs on standard output. A reader that closes early changes no exit code.

    Raises
    ------
    OSError
        The output cannot be written for another reason.
    """
    from benchpipe.views.lab_view import NOTHING

    besides = besides or NOTHING
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
