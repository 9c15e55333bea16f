"""Which letters the fonts of the document have. One that they lack is shown as an escape: the files that the record
carries hold it as it is."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from benchpipe.escapes import visible

MOST_TRIED = 600  # different letters of one record; further ones are shown as escapes
MOST_LETTERS = 4_000  # shown of one text: PDF/A has no string beyond 32,767 bytes, at two or four bytes a letter
LONGEST = 30  # letters of a word without a place to break it
BREAK = "\u200b"
_HASH = re.compile(r"[0-9a-f]{64}")
_LONG = re.compile(rf"\S{{{LONGEST + 1},}}")


class Letters:
    """Texts as the document can show them.

    Parameters
    ----------
    has : callable
        Whether the fonts have a letter.
    """

    def __init__(self, has: Callable[[str], bool]) -> None:
        self._has = lru_cache(maxsize=None)(has)
        self._tried = 0
        self._escaped: dict[str, str] = {}

    def shown(self, text: str) -> str:
        """A text in one line, with escapes for control letters and for those that no font has; the beginning of a very
        long one."""
        shown = self.known(visible(text.encode("utf-8", "backslashreplace").decode()))
        left = len(shown) - MOST_LETTERS
        return shown if left <= 0 else f"{shown[:MOST_LETTERS]} ... {left:,} more letters: see the attached files"

    def known(self, text: str) -> str:
        """A text with escapes for letters that no font has."""
        return text if text.isascii() else "".join(c if c.isascii() else self._one(c) for c in text)

    def all_of(self, value: Any, *, whole: frozenset[str] = frozenset()) -> Any:
        """The same document with every text as it can be shown, and places to break long words; none in what is under a
        key of ``whole``."""
        if isinstance(value, str):
            return _LONG.sub(_breakable, self.shown(value))
        if isinstance(value, dict):
            return {k: self._whole(one) if k in whole else self.all_of(one, whole=whole) for k, one in value.items()}
        if isinstance(value, list | tuple):
            return [self.all_of(one, whole=whole) for one in value]
        return value

    def _whole(self, value: Any) -> Any:
        if isinstance(value, str):
            return self.shown(value)
        if isinstance(value, dict):
            return {key: self._whole(one) for key, one in value.items()}
        return [self._whole(one) for one in value] if isinstance(value, list | tuple) else value

    def _one(self, letter: str) -> str:
        if letter not in self._escaped:
            self._tried += 1
            fits = self._tried <= MOST_TRIED and self._has(letter)
            self._escaped[letter] = letter if fits else letter.encode("unicode_escape").decode()
        return self._escaped[letter]


def _breakable(found: re.Match[str]) -> str:
    word = found[0]
    if _HASH.search(word):
        return word
    return BREAK.join(word[k : k + LONGEST] for k in range(0, len(word), LONGEST))
