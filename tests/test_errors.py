"""Error families: their exit codes, their text, and their way across process borders."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe import errors
from benchpipe.errors import BenchpipeError, ConfigError, ExitCode, nearest
from benchpipe.escapes import visible

FAMILIES = [BenchpipeError, *BenchpipeError.__subclasses__()]
TEXT = st.none() | st.text(min_size=1, max_size=30)


def test_exit_codes_are_the_documented_ones() -> None:
    assert {code.name: int(code) for code in ExitCode} == {
        "OK": 0, "USAGE": 2, "LIMIT_FAILED": 10, "INCONCLUSIVE": 11, "BAD_INPUT": 12, "CHANGED": 13,
        "NOT_TOLD": 69, "BUG": 70, "STORE_BUSY": 75, "INTERRUPTED": 130,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "code"),
    [("ConfigError", 2), ("MissingExtraError", 2), ("InputError", 12), ("StoreError", 12), ("StoreBusyError", 75)],
)
def test_each_family_has_its_exit_code(name: str, code: int) -> None:
    assert getattr(errors, name).exit_code == code


def test_no_family_is_left_out_above() -> None:
    assert len(FAMILIES) == 6


def test_the_text_says_what_where_expected_got_and_what_to_do() -> None:
    error = ConfigError("it is wrong", where=Path("a/b.toml"), expected="this", got="that", do_next="mend it")
    assert str(error) == (
        "it is wrong\n  where:    a/b.toml\n  expected: this\n  got:      that\n  do next:  mend it"
    )


def test_what_is_not_known_is_not_printed() -> None:
    assert str(ConfigError("it is wrong", got="that")) == "it is wrong\n  got:      that"


@given(st.sampled_from(FAMILIES), st.text(max_size=30), TEXT, TEXT, TEXT, TEXT)
def test_an_error_crosses_a_process_border_whole(
    family: type[BenchpipeError],
    what: str,
    where: str | None,
    expected: str | None,
    got: str | None,
    do_next: str | None,
) -> None:
    error = family(what, where=where, expected=expected, got=got, do_next=do_next)
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is family
    assert (str(back), vars(back)) == (str(error), vars(error))


@pytest.mark.parametrize(
    ("word", "near"),
    [("peak_laod", "peak_load"), ("DEGC", "degC"), ("energy", "energy_j"), ("xyzzy", None)],
)
def test_the_nearest_known_word_is_named(word: str, near: str | None) -> None:
    text = nearest(word, ["peak_load", "energy_j", "degC"])
    assert text.endswith("known: degC, energy_j, peak_load" + (")" if near else ""))
    assert text.startswith(f"did you mean '{near}'? (" if near else "known: ")


@given(st.text(max_size=10), st.lists(st.text(min_size=1, max_size=10), max_size=5))
def test_nearest_takes_any_word(word: str, known: list[str]) -> None:
    assert nearest(word, known) == "there is none" if not known else "known: " in nearest(word, known)


@given(st.tuples(*[st.none() | st.text(max_size=40).map(lambda text, n=n: text * n) for n in (1, 500, 90, 1, 300)]))
def test_a_text_stays_below_2_kb_and_keeps_its_ends(texts: tuple[str | None, ...]) -> None:
    what, where, expected, got, do_next = texts
    error = ConfigError(f"it is wrong{what or ''}", where=where, expected=expected, got=got, do_next=do_next)
    text = str(error)
    assert len(text.encode("utf-8", "surrogateescape")) < 2048
    assert text.startswith("it is wrong")
    shown = [visible(one or "") for one in texts]
    if sum(len(one.encode()) for one in shown) < 1800:
        assert all(one in text for one in shown)
    assert all(visible(line) == line for line in text.split("\n"))
    assert len(text.split("\n")) == 1 + sum(one is not None for one in texts[1:])
    long = str(ConfigError("x", where="/begin/" + "a" * 5000 + "/end.toml:7"))
    assert "/begin/" in long
    assert "/end.toml:7" in long
