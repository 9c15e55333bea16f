"""The guide: its pages, tables, commands, exit codes and studies are those of the code."""

from __future__ import annotations

import re
from importlib.util import find_spec
from pathlib import Path

import pytest

from benchpipe.cli.guide import PAGES, TOPICS, lines_with, page, record, records
from benchpipe.cli.main import COMMANDS
from benchpipe.errors import ExitCode
from tests.benchmarks.guide import PAGES as STUDIED
from tests.benchmarks.guide import studies, with_study
from tests.cli.commands import called
from tests.make_guide_tables import DECISIONS, PAGE, with_records, with_tables

REPO = Path(__file__).parents[1]
PACKAGE = REPO / "benchpipe"


def test_every_page_is_listed() -> None:
    assert {path.stem for path in PAGES.glob("*.md")} == set(TOPICS)


@pytest.mark.parametrize("topic", TOPICS)
def test_pages_begin_with_a_title_and_name_only_pages_that_are_there(topic: str) -> None:
    text = page(topic)
    assert text.startswith("# ")
    assert set(re.findall(r"benchpipe guide ([a-z][a-z-]*)", text)) <= set(TOPICS)


def named_pages(text: str) -> list[tuple[str, str]]:
    """Pages of the guide and documents that a text sends a reader to, each with the heading, if it names one."""
    guide = re.compile(r"(?:benchpipe guide |\bguide/)([a-z][a-z-]*)(?:\.md)?(?:, '([^'\n]+)')?")
    document = re.compile(r"\b(README|DEVELOPERS)\.md(?:, '([^'\n]+)')?")
    return guide.findall(text) + document.findall(text)


def headings(name: str) -> set[str]:
    """Headings of a page or document."""
    text = page(name) if name in TOPICS else (REPO / f"{name}.md").read_text(encoding="utf-8")
    return set(re.findall(r"(?m)^#+ (.+)$", text))


def test_pages_and_headings_that_printed_hints_name_are_there() -> None:
    hints = [one for path in PACKAGE.rglob("*.py") for one in named_pages(path.read_text(encoding="utf-8"))]
    assert ("first-night", "") in hints
    assert [(name, heading) for name, heading in hints if name not in (*TOPICS, "README", "DEVELOPERS")] == []
    assert [(name, heading) for name, heading in hints if heading and heading not in headings(name)] == []


def test_a_page_or_heading_that_is_named_is_found() -> None:
    assert named_pages("see README.md, 'Your own logs'") == [("README", "Your own logs")]
    assert named_pages("see: benchpipe guide limits, 'Drift'") == [("limits", "Drift")]
    assert "Drift" in headings("limits")
    assert "Your own logs" not in headings("README")


def test_the_tables_are_those_of_the_code() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert with_tables(text) == text, "run: python -m tests.make_guide_tables"


def test_the_list_of_decisions_is_that_of_its_records() -> None:
    text = DECISIONS.read_text(encoding="utf-8")
    assert with_records(text) == text, "run: python -m tests.make_guide_tables"


@pytest.mark.parametrize("number", records("decisions"))
def test_a_decision_has_its_parts(number: int) -> None:
    title, empty, day, *rest = record("decisions", number).splitlines()
    assert title.startswith(f"# {number:03} ")
    assert (empty, re.match(r"\d{4}-\d\d-\d\d", day) is not None) == ("", True)
    parts = re.findall(r"(?m)^\*\*(Context|Decision|Rejected)\.", "\n".join(rest))
    assert parts == ["Context", "Decision", "Rejected"]
    assert len(rest) <= 30


def test_decisions_are_numbered_without_gaps() -> None:
    assert list(records("decisions")) == list(range(1, len(records("decisions")) + 1))


def test_files_that_documents_name_are_there() -> None:
    documents = [REPO / "README.md", REPO / "DEVELOPERS.md", *PAGES.rglob("*.md")]
    named = re.compile(r"`((?:[a-z_0-9]+/)+[a-z_0-9]+\.py)`")
    gone = [
        (path.name, file)
        for path in documents
        for file in named.findall(path.read_text(encoding="utf-8"))
        if not any((folder / file).exists() for folder in (REPO, REPO / "benchpipe"))
    ]
    assert gone == []


def test_guide_shows_a_decision_and_names_one_that_is_not_there(tmp_path: Path) -> None:
    code, out, _ = called(["guide", "decisions", "12"], tmp_path)
    assert (code, out) == (0, record("decisions", 12).rstrip() + "\n")
    for words in (["decisions", "999"], ["limits", "1"]):
        code, _, error = called(["guide", *words], tmp_path)
        assert code == ExitCode.USAGE
        assert f"the guide has no record {words[1]} of '{words[0]}'" in error
    assert next(lines_with(["quarantine"], ("decisions",))).startswith("decisions, 012 Damage in the store: ")


def test_every_command_is_named_and_every_named_command_is_there() -> None:
    rows = [line.split("|")[1] for line in page("commands").splitlines() if line.startswith("| `")]
    command = re.compile(r"(?:benchpipe |`)([a-z]+) ?(?:RUN|LAB|\[|LOG|SCENARIO|FILE|`)")
    assert {word for row in rows for word in command.findall(row)} == set(COMMANDS)


def test_every_exit_code_is_listed() -> None:
    listed = {int(code) for code in re.findall(r"^\| (\d+) \|", page("commands"), re.MULTILINE)}
    assert listed == {int(code) for code in ExitCode}


def test_a_page_in_a_pipe_is_its_text(tmp_path: Path) -> None:
    code, out, _ = called(["guide", "recovery"], tmp_path)
    assert (code, out) == (0, page("recovery").rstrip() + "\n")


def test_guide_lists_and_searches(tmp_path: Path) -> None:
    _, listed, _ = called(["guide"], tmp_path)
    assert [line.split()[2] for line in listed.splitlines() if line.startswith("  ")] == list(TOPICS)
    _, found, _ = called(["guide", "--search", "LOSS factor"], tmp_path)
    assert "measures, Cycles (`cyclic`): | loss factor |" in found
    assert list(lines_with(["quarantine"], ("recovery",)))


def test_unknown_pages_and_words_are_named(tmp_path: Path) -> None:
    code, _, said = called(["guide", "limit"], tmp_path)
    assert code == ExitCode.USAGE
    assert "the guide has no page 'limit'" in said
    assert "no line of the guide has 'unicorns'" in called(["guide", "-s", "unicorns"], tmp_path)[2]


def test_each_study_of_the_guide_can_be_run() -> None:
    names = [name for one in STUDIED for name in studies(one.read_text(encoding="utf-8"))]
    assert {"verdicts", "cycles"} <= set(names)
    for name in names:
        assert find_spec(f"tests.benchmarks.{name}") is not None, name


def test_what_a_study_prints_stands_at_its_place_alone() -> None:
    text = "a\n<!-- one -->\n<!-- end -->\nb\n<!-- two -->\nold\n<!-- end -->\n"
    once = with_study(text, "two", "\n| x |\n\n| 1 |\n", "Measured now.")
    assert once == with_study(once, "two", "| x |\n\n| 1 |\n\n", "Measured now.")
    command = "`python -m tests.benchmarks.two`\nMeasured now."
    assert once == f"a\n<!-- one -->\n<!-- end -->\nb\n<!-- two -->\n{command}\n\n| x |\n\n| 1 |\n<!-- end -->\n"
