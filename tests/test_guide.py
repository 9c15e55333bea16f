"""The guide: its pages, tables, commands, exit codes and studies are those of the code."""

from __future__ import annotations

import re
from importlib.util import find_spec
from pathlib import Path

import pytest

from benchpipe.cli.guide import PAGES, TOPICS, lines_with, page
from benchpipe.cli.main import app
from benchpipe.errors import ExitCode
from tests.benchmarks.guide import GUIDE, studies, with_study
from tests.cli.commands import run
from tests.make_guide_tables import PAGE, with_tables


def test_every_page_is_listed() -> None:
    assert {path.stem for path in PAGES.glob("*.md")} == set(TOPICS)


@pytest.mark.parametrize("topic", TOPICS)
def test_pages_begin_with_a_title_and_name_only_pages_that_are_there(topic: str) -> None:
    text = page(topic)
    assert text.startswith("# ")
    assert set(re.findall(r"benchpipe guide ([a-z][a-z-]*)", text)) <= set(TOPICS)


def test_the_tables_are_those_of_the_code() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert with_tables(text) == text, "run: python -m tests.make_guide_tables"


def test_every_command_is_named_and_every_named_command_is_there() -> None:
    rows = [line.split("|")[1] for line in page("commands").splitlines() if line.startswith("| `")]
    command = re.compile(r"(?:benchpipe |`)([a-z]+) ?(?:RUN|LAB|\[|LOG|SCENARIO|`)")
    assert {word for row in rows for word in command.findall(row)} == {c.name for c in app.registered_commands}


def test_every_exit_code_is_listed() -> None:
    listed = {int(code) for code in re.findall(r"^\| (\d+) \|", page("commands"), re.MULTILINE)}
    assert listed == {int(code) for code in ExitCode}


def test_a_page_in_a_pipe_is_its_text(tmp_path: Path) -> None:
    code, out, _ = run(["guide", "recovery"], tmp_path)
    assert (code, out) == (0, page("recovery").rstrip() + "\n")


def test_guide_lists_and_searches(tmp_path: Path) -> None:
    _, listed, _ = run(["guide"], tmp_path)
    assert [line.split()[2] for line in listed.splitlines() if line.startswith("  ")] == list(TOPICS)
    _, found, _ = run(["guide", "--search", "LOSS factor"], tmp_path)
    assert "measures, Cycles (`cyclic`): | loss factor |" in found
    assert list(lines_with(["quarantine"], ("recovery",)))


def test_unknown_pages_and_words_are_named(tmp_path: Path) -> None:
    code, _, said = run(["guide", "limit"], tmp_path)
    assert code == ExitCode.USAGE
    assert "the guide has no page 'limit'" in said
    assert "no line of the guide has 'unicorns'" in run(["guide", "-s", "unicorns"], tmp_path)[2]


def test_each_study_of_the_guide_can_be_run() -> None:
    names = studies(GUIDE.read_text(encoding="utf-8"))
    assert "verdicts" in names
    for name in names:
        assert find_spec(f"tests.benchmarks.{name}") is not None, name


def test_what_a_study_prints_stands_at_its_place_alone() -> None:
    text = "a\n<!-- one -->\n<!-- end -->\nb\n<!-- two -->\nold\n<!-- end -->\n"
    once = with_study(text, "two", "| x |\n\n| 1 |\n")
    assert once == with_study(once, "two", "| x |\n| 1 |\n")
    assert "old" not in once
    assert once.startswith(
        "a\n<!-- one -->\n<!-- end -->\nb\n<!-- two -->\n`python -m tests.benchmarks.two`\n\n| x |\n| 1 |"
    )
