"""README is short, and its commands are those of the program."""

from __future__ import annotations

import re
from pathlib import Path

from benchpipe.cli.guide import TOPICS, page
from benchpipe.cli.main import COMMANDS

TEXT = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
MOST_WORDS = 900


def test_readme_is_short() -> None:
    assert len(TEXT.split()) <= MOST_WORDS


def test_commands_and_pages_it_names_are_there() -> None:
    assert set(re.findall(r"\bbenchpipe ([a-z]+)", "\n".join(re.findall(r"`[^`]+`", TEXT)))) <= set(COMMANDS)
    assert set(re.findall(r"guide/([a-z-]+)\.md", TEXT)) == set(TOPICS)


def test_first_night_is_that_of_the_guide() -> None:
    five = re.compile(r"(?m)^(benchpipe init.*?)```", re.DOTALL)
    commands = [[line.split("#")[0].strip() for line in five.search(text)[1].splitlines()]  # type: ignore[index]
                for text in (TEXT, page("first-night"))]  # fmt: skip
    assert commands[0] == commands[1]
