"""The exact screens of the sample runs at 80 columns. Drawn by ``python -m tests.report.make_screens``."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchpipe.cli.runs import work_night
from benchpipe.views.model import RunView
from tests.report.make_screens import SCREENS, WIDTH, screens

KEPT = sorted(path.name for path in SCREENS.glob("*.txt"))
ESCAPE = re.compile(r"\x1b\[([0-9;]*)m")


@pytest.fixture(scope="module")
def drawn(sample_lab: Path) -> dict[str, str]:
    """All screens, as they are now."""
    night = work_night(sample_lab, new_store=True)
    assert {view.run for view in night.views} == {"healthy", "wearing", "creeping-lock"}
    assert all(isinstance(view, RunView) for view in night.views)
    return screens(night)


def test_no_screen_is_missing(drawn: dict[str, str]) -> None:
    assert sorted(drawn) == KEPT


@pytest.mark.parametrize("name", KEPT)
def test_a_screen_is_the_golden_one(drawn: dict[str, str], name: str) -> None:
    assert drawn[name] == (SCREENS / name).read_text(encoding="utf-8"), "python -m tests.report.make_screens draws anew"


@pytest.mark.parametrize("name", KEPT)
def test_no_line_is_wider_than_the_screen_and_nothing_is_cut_off(name: str) -> None:
    for line in ESCAPE.sub("", (SCREENS / name).read_text(encoding="utf-8")).splitlines():
        assert len(line) <= WIDTH
        assert "…" not in line or name == "lab.plain.txt"  # the table of runs shortens specimens


def test_plain_screens_hold_no_escapes_and_ascii_ones_only_ascii() -> None:
    for path in SCREENS.glob("*.txt"):
        text = path.read_text(encoding="utf-8")
        if ".plain." in path.name or ".ascii." in path.name:
            assert "\x1b" not in text
        if ".ascii." in path.name:
            assert text.isascii()


def test_no_colour_keeps_weight_and_drops_colour() -> None:
    for path in SCREENS.glob("*.nocolour.txt"):
        plain = path.with_name(path.name.replace("nocolour", "plain")).read_text(encoding="utf-8")
        text = path.read_text(encoding="utf-8")
        codes = {code for found in ESCAPE.findall(text) for code in found.split(";")}
        assert codes <= {"0", "1", "2"}
        assert [line.rstrip() for line in ESCAPE.sub("", text).splitlines()] == plain.splitlines()


def test_colour_says_the_same_words() -> None:
    for path in SCREENS.glob("*.colour.txt"):
        plain = path.with_name(path.name.replace("colour", "plain")).read_text(encoding="utf-8")
        text = path.read_text(encoding="utf-8")
        assert [line.rstrip() for line in ESCAPE.sub("", text).splitlines()] == plain.splitlines()
        assert "\x1b[1;31m" in text or "healthy" in path.name  # a failed limit is red


@pytest.mark.parametrize("run", ["healthy", "wearing", "creeping-lock"])
def test_every_screen_says_the_caution_and_what_is_not_verified(run: str) -> None:
    text = " ".join((SCREENS / f"{run}.plain.txt").read_text(encoding="utf-8").split())
    assert "No one stands on a specimen because a program said pass." in text
    assert "not verified against the standard" in text
    assert "next: " in text
