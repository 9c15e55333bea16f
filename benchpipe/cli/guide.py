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
    "first-night", "logs", "measures", "limits", "uncertainty", "compare", "nightly", "growing", "records", "recovery",
    "commands", "tables", "python", "changes", "figures", "decisions",
)  # fmt: skip
COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)


def complete_topics(incomplete: str) -> list[str]:
    """Pages of the manual."""
    return [name for name in TOPICS if name.startswith(incomplete)]


def guide(
    topic: Annotated[
        str | None,
        typer.Argument(metavar="TOPIC", help="A page. Without it, all are listed.", autocompletion=complete_topics),
    ] = None,
    number: Annotated[int | None, typer.Argument(metavar="NUMBER", help="A record of the page 'decisions'.")] = None,
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
        typer.echo("\nFind a word: benchpipe guide --search WORD")
    elif number is not None:
        _show(record(topic, number))
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
    return _read(PAGES / f"{topic}.md")


def records(topic: str) -> dict[int, Path]:
    """Numbered records of a page; empty for a page that has none."""
    return {int(path.name[:3]): path for path in sorted(PAGES.glob(f"{topic}/[0-9][0-9][0-9]-*.md"))}


def record(topic: str, number: int) -> str:
    """Text of a numbered record.

    Raises
    ------
    ConfigError
        The page has no record of that number.
    """
    if number not in records(topic):
        raise ConfigError(f"the guide has no record {number} of '{topic}'", do_next="benchpipe guide decisions")
    return _read(records(topic)[number])


def _read(path: Path) -> str:
    return COMMENT.sub("", path.read_text(encoding="utf-8"))


def title(text: str) -> str:
    """First heading of a page."""
    return text.partition("\n")[0].removeprefix("# ")


def lines_with(words: list[str], topics: tuple[str, ...] = TOPICS) -> Iterator[str]:
    """``page, heading: line`` for each line of pages and their records that has all the words, in any case."""
    for topic in topics:
        heading = ""
        for text in (page(topic), *map(_read, records(topic).values())):
            for line in text.splitlines():
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
