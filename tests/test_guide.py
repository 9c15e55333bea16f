"""The guide: every study that it has a place for is there to run, and what one prints lands at its place."""

from __future__ import annotations

from importlib.util import find_spec

from tests.benchmarks.guide import GUIDE, studies, with_study


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
