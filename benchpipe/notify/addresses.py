"""Where messages go: URLs from the environment or from a file. They are secrets and are never shown."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

from benchpipe.config.watching import TellConfig
from benchpipe.errors import ConfigError

LEAST = 3  # letters of a piece of a URL that is taken out of a text
HIDDEN = "…"


@dataclass(frozen=True, repr=False)
class Address:
    """One URL, and the name it is shown and remembered by."""

    label: str
    url: str

    def hidden_in(self, text: str) -> str:
        """A text without the URL and the pieces of it."""
        return re.sub(r"\w+://\S+", HIDDEN, _without(text, _pieces(self.url)))


def addresses(one: TellConfig, folder: Path, environ: Mapping[str, str] | None = None) -> tuple[Address, ...]:
    """The URLs of one ``[[tell]]``.

    Parameters
    ----------
    folder : Path
        The lab file's: a relative ``file`` starts there.

    Raises
    ------
    ConfigError
        The variable is not set, the file cannot be read, or there is no URL in it. No error holds a URL.
    """
    where = f"the environment variable {one.env}" if one.file is None else str(folder / one.file)
    try:
        text = _read(one, folder, os.environ if environ is None else environ)
    except KeyError:
        raise ConfigError(f"{where} is not set", do_next="set it for the account that runs the night") from None
    except OSError as error:
        raise ConfigError(f"{where} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise ConfigError(f"{where} is not UTF-8 text") from None
    lines = [line.strip() for line in text.splitlines()]
    urls = [line for line in lines if line and not line.startswith("#")]
    if not urls:
        raise ConfigError(f"{where} holds no URL", do_next="write one URL a line")
    names = [one.name] if len(urls) == 1 else [f"{one.name} {number}" for number in range(1, len(urls) + 1)]
    return tuple(Address(name, url) for name, url in zip(names, urls, strict=True))


def _read(one: TellConfig, folder: Path, environ: Mapping[str, str]) -> str:
    if one.file is not None:
        return (folder / one.file).read_text(encoding="utf-8-sig")
    return environ[one.env or ""]


def _pieces(url: str) -> set[str]:
    """What a URL is made of, but for its scheme and the names of its options."""
    try:
        options = {key for key, _ in parse_qsl(urlsplit(url).query, keep_blank_values=True)}
    except ValueError:
        options = set()
    rest = url.partition("://")[2] or url
    found = {piece for form in (rest, unquote(rest)) for piece in re.split(r"[/:@?&=,;#\s]+", form)}
    return {piece for piece in found - options if len(piece) >= LEAST} | {url}


def _without(text: str, pieces: set[str]) -> str:
    for piece in sorted(pieces, key=len, reverse=True):
        text = text.replace(piece, HIDDEN)
    return text
