"""Error families: what is wrong, where, what was expected and seen, what to do next.

Every error that a user can cause is one of these. The command line prints
``str(error)`` and exits with ``error.exit_code``; nothing here draws or exits.
A bad row or a measure that is not available is data (a reject, a null), not an error.
"""

from __future__ import annotations

from difflib import get_close_matches
from enum import IntEnum
from pathlib import Path

from benchpipe.escapes import visible
from benchpipe.mirrors import spelled

MOST_BYTES = 1900  # of an error's texts: a terminal's screen


class ExitCode(IntEnum):
    """What a command's exit status means. 1 is left to crashes of the interpreter."""

    OK = 0
    USAGE = 2
    LIMIT_FAILED = 10
    INCONCLUSIVE = 11
    BAD_INPUT = 12
    CHANGED = 13
    NOT_TOLD = 69
    BUG = 70
    STORE_BUSY = 75
    INTERRUPTED = 130


class BenchpipeError(Exception):
    """Base of every error that is reported to a user.

    Parameters
    ----------
    what : str
        What is wrong, in one sentence.
    where : str or Path, optional
        File, with line or key path where known.
    expected, got : str, optional
        What was expected there and what was found.
    do_next : str, optional
        What the user can do about it.
    also : tuple of str
        Other problems of the same file, a line each.
    """

    exit_code: ExitCode = ExitCode.BUG

    def __init__(
        self,
        what: str,
        *,
        where: str | Path | None = None,
        expected: str | None = None,
        got: str | None = None,
        do_next: str | None = None,
        also: tuple[str, ...] = (),
    ) -> None:
        self.what = what
        self.where = None if where is None else str(where)
        self.expected = expected
        self.got = got
        self.do_next = do_next
        self.also = also
        super().__init__(what)

    def __str__(self) -> str:
        texts = {
            "": self.what, "where": self.where, "expected": self.expected, "got": self.got, "do next": self.do_next
        }  # fmt: skip
        parts = {label: visible(spelled(text)) for label, text in texts.items() if text is not None}
        parts |= {f"and {place}": visible(spelled(text)) for place, text in enumerate(self.also)}
        while (over := sum(map(_bytes, parts.values())) - MOST_BYTES) > 0:  # the longest gives way
            label = max(parts, key=lambda one: _bytes(parts[one]))
            parts[label] = shortened(parts[label], max(_bytes(parts[label]) - over, MOST_BYTES // len(parts)))
        return "\n".join(_row(label, text) for label, text in parts.items())

    def __format__(self, _: str) -> str:
        """In a sentence of another message: one line."""
        return spelled(f"{self.what} ({self.where})" if self.where else self.what)

    def __reduce__(self) -> tuple[object, ...]:
        """Errors cross process borders whole (worker → main job)."""
        return (_rebuild, (type(self), self.what, self.where, self.expected, self.got, self.do_next, self.also))


def _rebuild(
    kind: type[BenchpipeError],
    what: str,
    where: str | None,
    expected: str | None,
    got: str | None,
    do_next: str | None,
    also: tuple[str, ...],
) -> BenchpipeError:
    return kind(what, where=where, expected=expected, got=got, do_next=do_next, also=also)


def _row(label: str, text: str) -> str:
    """A row of an error's text; the sentence that says what is wrong has no label, other problems share one."""
    if label.startswith("and "):
        return f"  and: {text}"
    return f"  {label + ':':<10}{text}" if label else text


class ConfigError(BenchpipeError):
    """A configuration file or a command's option cannot be used (exit 2)."""

    exit_code = ExitCode.USAGE


class MissingExtraError(BenchpipeError):
    """An optional library is needed and not installed (exit 2)."""

    exit_code = ExitCode.USAGE


def install_extra(extras: str) -> str:
    """Next action where a library of an extra is missing. The package is on no index, so a checkout is installed."""
    named = f"'.[{extras}]'" if extras else "."
    return f"in the checkout: pipx install --force {named}"


class InputError(BenchpipeError):
    """A log cannot be used: unreadable, not the declared format, no usable row (exit 12)."""

    exit_code = ExitCode.BAD_INPUT


class StoreError(BenchpipeError):
    """The store is damaged or cannot be written (exit 12)."""

    exit_code = ExitCode.BAD_INPUT


class DamageError(StoreError):
    """A file of the store is not what was written, or not there; ``where`` is its path (exit 12)."""


class StoreBusyError(BenchpipeError):
    """Another job holds the store (exit 75)."""

    exit_code = ExitCode.STORE_BUSY


def _bytes(text: str) -> int:
    return len(text.encode("utf-8", "surrogateescape"))


def shortened(text: str, most: int = MOST_BYTES) -> str:
    """A text of at most so many bytes (UTF-8): of a longer one the middle is left out."""
    if _bytes(text) <= most:
        return text
    data, half = text.encode("utf-8", "surrogateescape"), most // 2 - 2
    return f"{data[:half].decode(errors='ignore')}…{data[-half:].decode(errors='ignore')}"


def nearest(word: str, known: list[str]) -> str:
    """Say which known word is nearest, or list them all where none is near.

    Returns
    -------
    str
        ``did you mean 'x'? (known: …)`` or ``known: …``; ``there is none`` where nothing is known.
    """
    if not known:
        return "there is none"
    same = [k for k in known if k.lower() == word.lower()]  # capitals apart, it is there
    close = same or get_close_matches(word, known, n=1, cutoff=0.6)
    listing = "known: " + ", ".join(sorted(known))
    return f"did you mean '{close[0]}'? ({listing})" if close else listing
