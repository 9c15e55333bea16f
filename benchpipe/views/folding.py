"""Sentences in lines that a terminal of 80 columns shows whole."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

WIDTH = 79  # columns: a cursor has the last one


def folded(text: str, indent: str, more: str | None = None) -> Iterator[str]:
    """A sentence in lines, names of any length whole.

    Parameters
    ----------
    indent, more : str
        Begin of the first line and of the others; the first one's and two more where not given.
    """
    yield from textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  " if more is None else more,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
