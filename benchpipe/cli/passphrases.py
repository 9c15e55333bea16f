"""Passphrases: typed without being shown, or from a file; never an argument or a variable of the environment."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchpipe.errors import ConfigError

if TYPE_CHECKING:
    from benchpipe.ledger.keys import Key

PassphraseFile = Annotated[
    list[Path] | None,
    typer.Option(
        "--passphrase-file", metavar="FILE",
        help="File with the passphrase in its first line, mode 0600; one for each key, in order. Else it is asked.",
    ),
]  # fmt: skip


def unlocked(paths: Sequence[Path], files: Sequence[Path], *apart_from: Path) -> list[Key]:
    """Unlock keys, each with its passphrase.

    Raises
    ------
    ConfigError
        A key or a passphrase is wrong, or there is no terminal to ask on.
    """
    from benchpipe.ledger.keys import load_key, must_be_apart, must_be_private

    for path in paths:  # before a passphrase is typed
        must_be_apart(path, *apart_from)
        must_be_private(path, "key file")
    return [load_key(path, passphrase(path, files, number)) for number, path in enumerate(paths)]


def passphrase(path: Path, files: Sequence[Path], number: int, *, twice: bool = False) -> str:
    """The passphrase of a key.

    Parameters
    ----------
    number : int
        Place of the key among those of the command: the file of the same place holds its passphrase.
    twice : bool
        Ask again, for a new key.
    """
    from benchpipe.ledger.keys import read_passphrase

    if number < len(files):
        return read_passphrase(files[number])
    if not sys.stdin.isatty():
        raise ConfigError(
            "there is no terminal to ask for the passphrase on", where=path,
            do_next="run it in a terminal, or give a file that only you can read: --passphrase-file FILE",
        )  # fmt: skip
    return str(typer.prompt(f"Passphrase of {path}", hide_input=True, confirmation_prompt=twice, err=True))
