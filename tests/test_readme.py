"""README says what is true: its tables, its commands, its exit codes."""

from __future__ import annotations

import re

from benchpipe.cli.main import app
from benchpipe.errors import ExitCode
from tests.make_readme_tables import README, with_tables

TEXT = README.read_text(encoding="utf-8")


def test_the_tables_are_those_of_the_code() -> None:
    assert with_tables(TEXT) == TEXT, "run: python -m tests.make_readme_tables"


def test_every_command_is_named_and_every_named_command_is_there() -> None:
    known = {command.name for command in app.registered_commands}
    section = TEXT.split("## Commands")[1].split("###")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    command = re.compile(r"(?:benchpipe |`)([a-z]+) ?(?:RUN|LAB|\[|LOG|SCENARIO|`)")
    named = {word for row in rows for word in command.findall(row)}
    assert named == known


def test_every_exit_code_is_listed() -> None:
    listed = {int(code) for code in re.findall(r"^\| (\d+) \|", TEXT, re.MULTILINE)}
    assert listed == {int(code) for code in ExitCode}
