"""A draft's questions that were left open: the error is the question (invented files)."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.errors import ConfigError
from benchpipe.run import load_run
from tests.config.written import line_of, write_lab


def error_of(folder: Path, **spoilt: tuple[str, str]) -> ConfigError:
    plan = write_lab(folder, **spoilt)
    with pytest.raises(ConfigError) as caught:
        load_run(plan)
    return caught.value


def test_the_error_says_what_the_draft_asked_and_what_to_write(tmp_path: Path) -> None:
    asked = '# QUESTION: how far is it loaded?\n# Write a load such as "80 N*m".\nload_max = "?"'
    error = error_of(tmp_path, plan=('load_max = "80 N*m"', asked))
    assert error.what == "'block[0].load_max' is still a question: how far is it loaded?"
    line = line_of("plan.toml", "load_max") + 2
    assert error.where == f"{tmp_path / 'plan.toml'}:{line}, key block[0].load_max"
    assert (error.expected, error.got) == ('a load such as "80 N*m"', '"?"')
    assert error.do_next == 'write the answer in place of "?"'


def test_a_comment_above_the_question_is_no_part_of_it(tmp_path: Path) -> None:
    asked = '# planned = 9  # QUESTION: how many?\n# QUESTION: how far is it loaded?\nload_max = "?"'
    error = error_of(tmp_path, plan=('load_max = "80 N*m"', asked))
    assert error.what == "'block[0].load_max' is still a question: how far is it loaded?"


def test_a_comment_behind_the_value_is_the_question_too(tmp_path: Path) -> None:
    error = error_of(tmp_path, rig=('sample_rate = "50 Hz"', 'sample_rate = "?"  # rows a second'))
    assert error.what == "'time.sample_rate' is still a question: rows a second"
    assert error.expected is None


def test_a_key_that_any_text_would_suit_is_a_question_as_well(tmp_path: Path) -> None:
    assert "'specimen' is still a question" in error_of(tmp_path, plan=('specimen = "S-1"', 'specimen = "?"')).what


def test_all_questions_and_other_mistakes_come_at_once(tmp_path: Path) -> None:
    spoilt = 'load_max = "?"\nload_min = "?"\nfrequenzy = "1 Hz"'
    pieces = 'load_min = "5 N*m"\nload_max = "80 N*m"\nfrequency = "1 Hz"'
    text = str(error_of(tmp_path, plan=(pieces, spoilt)))
    assert text.count("is still a question") == 2
    assert "unknown key 'frequenzy'" in text


def test_a_question_mark_that_stands_for_no_value_is_none(tmp_path: Path) -> None:
    plan = write_lab(tmp_path, rig=('column = "T"', 'column = "T"\nmissing = ["?"]'))
    assert load_run(plan).rig.channel[0].missing == ("?",)
