"""A plan that is being drafted: its questions and block names so far, and how its lines are written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchpipe.inspect.questions import as_toml
from benchpipe.survey.seen import Where

WIDTH = 40  # where comments begin
NOT_JUDGED = (
    "read off the log: until compared with the test's protocol, no limit is judged on it (remove its name here then)"
)


class Sheet:
    """Questions and names of a plan so far. ``change``: whether its limits need a baseline."""

    def __init__(self, units: dict[str, str], change: bool) -> None:
        self.units, self.change = units, change
        self.questions: list[str] = []
        self._names: set[str] = set()

    def name(self, wanted: str) -> Iterator[str]:
        """A name that no block has yet."""
        name, number = wanted.replace(".", "-"), 2
        while name in self._names:
            name, number = f"{wanted.replace('.', '-')}-{number}", number + 1
        self._names.add(name)
        yield from key_line("name", name, "")

    def where(self, where: Where) -> Iterator[str]:
        """Which rows the block takes."""
        if where.also:
            ask = f"the same logs hold {where.also} too, and neither mode nor file names tell them apart"
            yield from self.question("files", ask, 'patterns of log names, such as ["cycling_*"]')
        elif where.files:
            yield from key_line("files", list(where.files), "of the plan's logs")
        if where.mode is not None:
            yield from key_line("mode", where.mode, "only rows in which the mode channel has this value")

    def question(self, name: str, ask: str, write: str) -> Iterator[str]:
        """A key that must be answered before the plan works."""
        self.questions.append(f"{name}: {ask}")
        yield f"# QUESTION: {ask}"
        yield f"# Write {write}."
        yield f'{name} = "?"'


def key_line(name: str, value: Any, why: str) -> Iterator[str]:
    """One key with its comment."""
    text = f"{name} = {as_toml(value)}"
    yield f"{text:<{WIDTH}}  # {why}" if why else text


def drafted_lines(keys: list[str]) -> list[str]:
    """Which keys only the log gave."""
    return [f"# {NOT_JUDGED}", f"drafted = {as_toml(keys)}"] if keys else []
