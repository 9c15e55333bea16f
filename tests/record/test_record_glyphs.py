"""Texts as the document can show them: escapes for letters that no font has, and places to break long words."""

from __future__ import annotations

import pytest

from benchpipe.report.record.document import _has
from benchpipe.report.record.glyphs import BREAK, MOST_TRIED, Letters
from benchpipe.report.record.pictures import static_style

FONTS = frozenset("äß±≥µ")


def letters() -> Letters:
    return Letters(FONTS.__contains__)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("± 3 µm", "± 3 µm"),
        ("足 ankle", r"\u8db3 ankle"),
        ("a\x07b\n", r"a\x07b\n"),
        ("\u202eabc", r"\u202eabc"),
        ("\ud800", r"\ud800"),
        ("\U0001f9b6", r"\U0001f9b6"),
    ],
)
def test_a_text_is_shown_with_escapes_for_what_no_font_has(text: str, shown: str) -> None:
    assert letters().shown(text) == shown


def test_long_words_can_be_broken_but_hashes_and_names_of_files_are_whole() -> None:
    long, hash_ = "x" * 65, "0123456789abcdef" * 4
    made = letters().all_of({"a": [long, hash_, "short"], "files": [long]}, whole=frozenset({"files"}))
    assert made["a"][0].replace(BREAK, "") == long
    assert max(map(len, made["a"][0].split(BREAK))) == 30
    assert made["a"][1:] == [hash_, "short"]
    assert made["files"] == [long]


def test_a_letter_is_tried_once_and_only_so_many_are() -> None:
    tried: list[str] = []

    def has(letter: str) -> bool:
        tried.append(letter)
        return True

    many = "".join(chr(0x4E00 + k) for k in range(MOST_TRIED + 5))
    made = Letters(has)
    assert made.known(many + many).startswith(many[:MOST_TRIED] + r"\u")
    assert tried == list(many[:MOST_TRIED])


def test_the_fonts_of_the_library_have_the_signs_of_the_report() -> None:
    has = _has(pytest.importorskip("typst"))
    assert [letter for letter in "±≤≥°·–…µ✓✗○▼●¤²äéřЖΩא" if not has(letter)] == []
    assert [letter for letter in "足🦶\ue000" if has(letter)] == []


def test_the_style_of_drawings_has_nothing_that_only_a_browser_resolves() -> None:
    style = static_style()
    assert not any(word in style for word in ("var(", "@media", ":root", "system-ui"))
    assert ".limit{stroke:#b03060" in style
    assert style.count("{") == style.count("}") > 20
