"""Patterns of file names that take some logs of a folder and no others."""

from __future__ import annotations

import re
from collections.abc import Iterator

from benchpipe.samples.stream import matches

LEAST_LETTERS = 2


def pattern_of(own: set[str], others: set[str]) -> tuple[str, ...]:
    """The shortest pattern that takes all of ``own`` and none of the ``others``; else their names.

    Empty where there are no others: the plan's own patterns do.
    """
    if not others:
        return ()
    names = sorted(name.rsplit("/", 1)[-1].split(".")[0] for name in own)
    for pattern in _candidates(names):
        if all(matches(name, (pattern,)) for name in own) and not any(matches(name, (pattern,)) for name in others):
            return (pattern,)
    return tuple(_plain(name.rsplit("/", 1)[-1]) for name in sorted(own))


def _candidates(names: list[str]) -> Iterator[str]:
    """The beginning that all names share, without a number that goes on; then words that all of them hold."""
    start = re.sub(r"[\d.]+$", "", _shared(names))
    if sum(letter.isalpha() for letter in start) >= LEAST_LETTERS:
        yield _plain(start) + "*"
    for word in re.findall(r"[A-Za-z]{3,}", names[0]):
        yield f"*{word}*"


def _plain(text: str) -> str:
    return re.sub(r"([*?\[])", r"[\1]", text)


def _shared(names: list[str]) -> str:
    """The beginning that all names share."""
    first, last = min(names), max(names)
    end = next((n for n, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), min(len(first), len(last)))
    return first[:end]
