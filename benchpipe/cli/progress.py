"""Progress of a night on standard error: a display on a terminal, plain lines in a log."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from benchpipe.cli.output import tell
from benchpipe.escapes import visible

if TYPE_CHECKING:
    from rich.progress import TaskID

    from benchpipe.night.task import WorkerEvent

EventCallback = Callable[["WorkerEvent"], None]


NO_FOLDER = (
    "the kernels are compiled each time, about half a minute: no folder for them can be written (no home, a read-only "
    "install); name one in XDG_CACHE_HOME"
)


def tell_of_kernels() -> None:
    """Explain why the first half minute is quiet, where kernels have to be compiled."""
    from benchpipe.kernels.compiled import kept_kernels

    kept = kept_kernels()
    if not kept:
        tell(NO_FOLDER if kept is None else "compiling the kernels for this machine: once, about half a minute")


@contextmanager
def watching(runs: int) -> Iterator[EventCallback]:
    """Function that shows the progress of a night over so many runs."""
    error = sys.stderr
    if error is None or not error.isatty() or os.environ.get("TERM", "dumb") == "dumb":
        yield _with_kernels(log_line)
    else:
        with _display(runs) as watch:
            yield _with_kernels(watch)


def _with_kernels(watch: EventCallback) -> EventCallback:
    """The same, and before the first run that is worked on what is to be said of the kernels."""
    said: list[bool] = []

    def watching_first(event: WorkerEvent) -> None:
        if event.kind == "begins" and not said:
            said.append(True)
            tell_of_kernels()
        watch(event)

    return watching_first


def log_line(event: WorkerEvent) -> None:
    """A line for each log that is read, and one for each run that had work."""
    if event.kind == "reads":
        tell(f"{event.task.name}: reading {event.text}")
    if event.kind == "again":
        tell(again(event))
    if event.kind == "warms":
        tell(event.text)
    for line in ended(event):
        tell(line)


def again(event: WorkerEvent) -> str:
    """Why a run is tried again."""
    return f"{event.task.name}: {event.text}; it is tried once more"


def ended(event: WorkerEvent) -> list[str]:
    """Steps of a run that had work, with their time and memory; empty where nothing was new."""
    if event.done is None:
        return []
    lines = [f"{event.task.name}: {text}" for text in event.done.said]
    steps = [f"{use.step} {use.seconds:.1f} s {use.peak_mb:.0f} MB" for use in event.done.steps]
    return [*lines, *([f"{event.task.name}: {', '.join(steps)}"] if steps else [])]


@contextmanager
def _display(runs: int) -> Iterator[EventCallback]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
    from rich.text import Text

    columns = (
        SpinnerColumn(finished_text=" "), TextColumn("{task.description}"), BarColumn(bar_width=20),
        MofNCompleteColumn(), TimeElapsedColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True, highlight=False), transient=True) as display:
        whole = display.add_task("runs", total=runs)
        rows: dict[str, TaskID] = {}

        def watch(event: WorkerEvent) -> None:
            name = event.task.name
            if event.kind == "reads" and name not in rows:
                rows[name] = display.add_task(visible(name), total=None)
            if event.kind == "reads":
                display.update(rows[name], description=visible(f"{name}: reading {event.text}")[-50:])
            if event.kind == "warms":
                display.console.print(Text(event.text))
            if event.kind == "again":
                display.console.print(Text(visible(again(event))))
            if event.kind == "ends":
                display.advance(whole)
                if name in rows:
                    display.remove_task(rows.pop(name))
                for line in ended(event):
                    display.console.print(Text(visible(line)))

        yield watch
