"""Polluted text logs of a declared dialect: what is read is what was written, and what is not taken is said.

Each log is a sound one into which one kind of dirt was put, so that it is known which rows are as they were.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from benchpipe.errors import InputError
from tests.ingest.test_fuzz import DIALECTS, log_of
from tests.ingest.text_logs import make_rig, read_bytes

LOGS = 627
READ_RIGHT = 568
SHARE = 4  # one log in so many is read in the normal tests
ROWS = 40
Lines = list[str]
Draw = np.random.Generator


def _cell(lines: Lines, draw: Draw, mark: str, change: Callable[[str], str]) -> Lines:
    """One cell that is not the time."""
    at = int(draw.integers(2, len(lines) - 1))
    cells = lines[at].split(mark)
    which = int(draw.integers(1, len(cells)))
    cells[which] = change(cells[which])
    return [*lines[:at], mark.join(cells), *lines[at + 1 :]]


def _put(lines: Lines, draw: Draw, *more: str) -> Lines:
    at = int(draw.integers(2, len(lines) + 1))
    return [*lines[:at], *more, *lines[at:]]


def _some(lines: Lines, draw: Draw) -> str:
    return lines[int(draw.integers(3, len(lines)))]


DIRT: dict[str, Callable[[Lines, Draw, str], Lines]] = {
    "none": lambda lines, draw, mark: lines,
    "a text": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: "OVER"),
    "letters in a number": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: cell + "x7"),
    "no number": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: "-"),
    "nan": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: "NaN"),
    "too large": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: "1e999"),
    "a separator too many": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: mark + cell + mark),
    "a last separator": lambda lines, draw, mark: _cell(lines, draw, mark, lambda cell: cell + mark),
    "a separator lost": lambda lines, draw, mark: [*lines[:5], lines[5].replace(mark, "", 1), *lines[6:]],
    "half a row": lambda lines, draw, mark: [*lines[:7], lines[7][: len(lines[7]) // 3], *lines[8:]],
    "two rows in one": lambda lines, draw, mark: [*lines[:7], lines[7] + lines[8], *lines[9:]],
    "the header again": lambda lines, draw, mark: _put(lines, draw, lines[0]),
    "empty lines": lambda lines, draw, mark: _put(lines, draw, "", " ", ""),
    "separators alone": lambda lines, draw, mark: _put(lines, draw, mark * (lines[3].count(mark) or 2)),
    "a note": lambda lines, draw, mark: _put(lines, draw, "# rig stopped by hand, see book"),
    "bytes of nothing": lambda lines, draw, mark: _put(lines, draw, "\x00" * 30),
    "a row again": lambda lines, draw, mark: _put(lines, draw, _some(lines, draw)),
    "marks of no letter": lambda lines, draw, mark: _put(lines, draw, "\x1a\x07\x1b[0m"),
}


def polluted(number: int) -> tuple[dict[str, Any], str, Lines, Lines]:
    """Dialect, kind of dirt, lines as they were, and as they are."""
    log = DIALECTS[list(DIALECTS)[number % len(DIALECTS)]]
    kind = list(DIRT)[number // len(DIALECTS) % len(DIRT)]
    mark = make_rig(log).log.separator_text
    lines = log_of(log, ROWS).decode(log.get("encoding", "utf-8")).removeprefix("\ufeff").split("\r\n")[:-1]
    return log, kind, lines, DIRT[kind](lines, np.random.default_rng(number), mark)


def outcome(number: int) -> str:
    """``right``, ``refused``, or what is wrong without a word.

    Right: each line once, rows that are as they were with the numbers that they had, and of the others none with
    a number that stands in no line of the log at that place.
    """
    log, kind, before, after = polluted(number)
    rig, codec = make_rig(log), log.get("encoding", "utf-8")
    clean = read_bytes(("\r\n".join(before) + "\r\n").encode(codec), rig)
    known = {before[line - 1]: k for k, line in enumerate(clean.row)}
    try:
        read = read_bytes(("\r\n".join(after) + "\r\n").encode(codec), rig)
    except InputError:
        return "refused"
    lines = sorted([*read.row, *(line for line, _ in read.lines)])
    if not lines or lines != list(range(lines[0], len(after) + 1)) or len(lines) < len(after) - 2:
        return f"{kind}: lines are lost"
    taken = {line: k for k, line in enumerate(read.row)}
    for line, text in enumerate(after, 1):
        if text in known and line not in taken:
            return f"{kind}: a sound row is not taken"
        if line not in taken:
            continue
        values = [read.time[taken[line]], *(read.channels[name][taken[line]] for name in read.channels)]
        if text in known:
            k = known[text]
            if values != [clean.time[k], *(clean.channels[name][k] for name in clean.channels)]:
                return f"{kind}: another number"
        elif not _numbers_of(text, values, before[line - 1] if line <= len(before) else "", clean, known):
            return f"{kind}: a damaged row is taken: {text!r}"
    return "right"


def _numbers_of(text: str, values: list[float], was: str, clean: Any, known: dict[str, int]) -> bool:
    """Whether a damaged row shows what it was, or no value where the damage is."""
    if was not in known:
        return False
    k = known[was]
    had = [clean.time[k], *(clean.channels[name][k] for name in clean.channels)]
    return all(now == then or now != now for now, then in zip(values, had, strict=True))


def all_outcomes(step: int) -> Counter[str]:
    """How often each outcome is met."""
    return Counter(outcome(number) for number in range(0, LOGS, step))


@pytest.mark.parametrize("step", [SHARE + 1, pytest.param(1, marks=pytest.mark.soak)])
def test_no_polluted_log_is_wrong_without_a_word(step: int) -> None:
    found = all_outcomes(step)
    assert set(found) <= {"right", "refused"}, found
    assert found["right"] * LOGS >= READ_RIGHT * sum(found.values()), found


def test_no_sound_log_is_refused() -> None:
    kinds = list(DIRT)
    sound = [n for n in range(LOGS) if kinds[n // len(DIALECTS) % len(DIRT)] == "none"]
    assert {outcome(number) for number in sound} == {"right"}
