"""Texts of other authors, as a terminal or a shell may get them."""

from __future__ import annotations

import shlex
from os import PathLike
from unicodedata import category


def visible(text: str) -> str:
    """A text in one line whose every letter can be seen.

    Control characters, line breaks, marks that turn the direction of writing, and bytes that are no text are
    shown as escapes: ``\\n``, ``\\x1b``, ``\\u202e``. A log, a file name or a config can hold any of them, and a
    terminal would obey them.
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or category(c) == "Zs" else _escaped(c) for c in text)


def quoted(word: str | PathLike[str]) -> str:
    """A word of a command as a shell takes it, and as a terminal may show it."""
    word = str(word)
    if word.isprintable():
        return shlex.quote(word)
    letters = (c if c.isprintable() and c not in "\\'" else _bytes(c) for c in word)
    return f"$'{''.join(letters)}'"  # ANSI-C quoting, as POSIX.1-2024 has it


def _escaped(letter: str) -> str:
    return letter.encode("unicode_escape").decode()


def _bytes(letter: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in letter.encode("utf-8", "surrogateescape"))
