"""The manual: Markdown pages of the package, read in the terminal."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from benchpipe.errors import ConfigError, nearest

PAGES = Path(__file__).parents[1] / "guide"
TOPICS = (  # in the order in which a reader needs them
    "first-night", "logs", "measures", "limits", "uncertainty", "nightly", "recovery", "commands", "tables", "python",
    "changes",
)  # fmt: skip
COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)


def guide(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="A page; else all are listed.")] = None,
    search: Annotated[
        str | None, typer.Option("--search", "-s", metavar="WORDS", help="Lines that have all these words.")
    ] = None,
) -> None:
    """Read the manual.

    Example: benchpipe guide limits
    """
    if search is not None:
        found = list(lines_with(search.split(), (topic,) if topic else TOPICS))
        if not found:
            raise ConfigError(f"no line of the guide has '{search}'", do_next="try one word of it")
        typer.echo("\n".join(found))
    elif topic is None:
        typer.echo("Pages of the guide:\n")
        for name in TOPICS:
            typer.echo(f"  benchpipe guide {name:<13} {title(page(name))}")
        typer.echo("\nA word in them: benchpipe guide --search WORD")
    else:
        _show(page(topic))


def page(topic: str) -> str:
    """Text of a page.

    Raises
    ------
    ConfigError
        There is none of that name.
    """
    if topic not in TOPICS:
        raise ConfigError(f"the guide has no page '{topic}'", expected=nearest(topic, list(TOPICS)))
    return COMMENT.sub("", (PAGES / f"{topic}.md").read_text(encoding="utf-8"))


def title(text: str) -> str:
    """First heading of a page."""
    return text.partition("\n")[0].removeprefix("# ")


def lines_with(words: list[str], topics: tuple[str, ...] = TOPICS) -> Iterator[str]:
    """``page, heading: line`` for each line that has all the words, in any case."""
    for topic in topics:
        heading = ""
        for line in page(topic).splitlines():
            if line.startswith("#"):
                heading = line.lstrip("# ")
            if all(word.lower() in line.lower() for word in words):
                yield f"{topic}, {heading}: {line.strip()}"


def _show(text: str) -> None:
    """A page: as it is written for a pipe, drawn and with a pager for a terminal."""
    if not sys.stdout.isatty():
        typer.echo(text.rstrip())
        return
    from rich.console import Console
    from rich.markdown import Markdown

    os.environ.setdefault("LESS", "-FRX")  # colours as they are; a page that fits needs no key
    console = Console(width=min(100, Console().width))
    with console.pager(styles=True):
        console.print(Markdown(text))
