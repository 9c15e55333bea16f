"""Questions that a drafted file still asks: a key whose value is ``"?"``, with the comment that says what to write."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchpipe.config.toml import KeyPath, TomlFile, key_text
from benchpipe.errors import ConfigError

OPEN = "?"
_ASK, _WRITE = "QUESTION:", "Write "


def open_questions(file: TomlFile) -> dict[KeyPath, ConfigError]:
    """An error for each key of a file that is still a question; words in lists are left alone."""
    return {keys: _still_asked(file, keys) for keys in _asked(file.values)}


def _asked(values: Any, above: KeyPath = ()) -> Iterator[KeyPath]:
    if isinstance(values, dict):
        for key, value in values.items():
            yield from [(*above, key)] if value == OPEN else _asked(value, (*above, key))
    elif isinstance(values, list):
        for place, value in enumerate(values):
            yield from _asked(value, (*above, place))


def _still_asked(file: TomlFile, keys: KeyPath) -> ConfigError:
    line = file.line_of(keys)
    said = list(_comment(file.lines, line)) if line is not None else []
    write = [text for text in said if text.startswith(_WRITE)]
    ask = " ".join(text.removeprefix(_ASK).strip() for text in said if text not in write)
    return ConfigError(
        f"'{key_text(keys)}' is still a question" + (f": {ask}" if ask else ""),
        where=file.where(keys),
        expected=" ".join(write).removeprefix(_WRITE).rstrip(".") or None,
        got=f'"{OPEN}"',
        do_next=f'write the answer in place of "{OPEN}"',
    )


def _comment(lines: tuple[str, ...], line: int) -> Iterator[str]:
    """The comment above a line from its question on, and the one behind its value."""
    first = line - 1
    while first > 0 and lines[first - 1].lstrip().startswith("#"):
        first -= 1
        if lines[first].lstrip("# ").startswith(_ASK):
            break
    yield from (text.lstrip("# ").strip() for text in lines[first : line - 1])
    behind = lines[line - 1].partition(f'"{OPEN}"')[2].partition("#")[2].strip()
    yield from [behind] if behind else []
