"""Read a TOML file and know the line of every key.

``toml_rs`` gives lines; where it is missing or fails, ``tomllib`` reads the
same values and errors name the key path without a line.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchpipe.errors import ConfigError

KeyPath = tuple[str | int, ...]

MOST_BYTES = 1 << 19
MOST_PARTS = 32  # of a dotted key, and of tables and arrays in one another
MOST_LETTERS = 100  # of a number
# Strings and comments, so that what is left are keys, numbers and marks (TOML 1.0, "String", "Comment").
_TEXTS = re.compile(
    r'"""(?:\\.|[^\\])*?"""+|\'\'\'.*?\'\'\'+|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*', re.DOTALL
)
_LONG_KEY = re.compile(rf"(?:[\w\-\x00][ \t]*\.[ \t]*[\w\-\x00]*?){{{MOST_PARTS}}}")
_LONG_NUMBER = re.compile(rf"(?<![\w.\-])[+-]?\d[\w.+\-]{{{MOST_LETTERS},}}")


@dataclass(frozen=True)
class TomlFile:
    """The values of one TOML file, where each is, its lines of text, and its bytes."""

    path: Path
    values: dict[str, Any]
    nodes: dict[str, Any]
    lines: tuple[str, ...] = ()
    data: bytes = b""

    def line_of(self, keys: KeyPath) -> int | None:
        """Line (from 1) of the key at ``keys``, or of its nearest known parent; of a table, its first key."""
        node: Any = self.nodes
        line: int | None = None
        for key in keys:
            if isinstance(node, dict) and "value" in node and {"key_line", "value_line"} & set(node):
                node = node["value"]
            try:
                node = node[key]
            except (KeyError, IndexError, TypeError):
                return line
            line = _first_line(node) or line
        return line

    def where(self, keys: KeyPath = ()) -> str:
        """``file:line, key a.b[0].c`` for an error."""
        line = self.line_of(keys)
        place = f"{self.path}:{line}" if line is not None else str(self.path)
        return f"{place}, key {key_text(keys)}" if keys else place


def _first_line(node: Any) -> int | None:
    """Line of a key or value; a plain table has none of its own, so that of what is in it."""
    if not isinstance(node, dict):
        return None
    found = node.get("key_line", node.get("value_line"))
    if isinstance(found, int):
        return found
    return min(filter(None, map(_first_line, node.values())), default=None)


def key_text(keys: KeyPath) -> str:
    """Key path as a person writes it: ``block[0].load_min``."""
    text = ""
    for key in keys:
        text += f"[{key}]" if isinstance(key, int) else (f".{key}" if text else key)
    return text


def read_toml(path: Path) -> TomlFile:
    """Read one TOML file.

    Raises
    ------
    ConfigError
        Missing, unreadable, not UTF-8, or not TOML (with the line).
    """
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except FileNotFoundError:
        raise ConfigError(
            "the file does not exist", where=path, do_next="check the path; it is relative to the file that names it"
        ) from None
    except IsADirectoryError:
        raise ConfigError("found a folder where a file was expected", where=path) from None
    except UnicodeDecodeError as error:
        raise ConfigError(
            "the file is not UTF-8 text", where=f"{path}, byte {error.start}", do_next="save it as UTF-8"
        ) from None
    except OSError as error:
        raise ConfigError(f"the file cannot be read: {error.strerror}", where=path) from None
    _must_be_plain(path, text)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _not_toml(path, text, str(error)) from None
    except RecursionError:
        raise _too_deep(path) from None
    except ValueError as error:  # a date that is none
        raise ConfigError(f"not valid TOML: {error}", where=path) from None
    if _depth(values) > MOST_PARTS:
        raise _too_deep(path)
    return TomlFile(path, values, _nodes(text), tuple(text.splitlines()), data)


def _must_be_plain(path: Path, text: str) -> None:
    """Refuse what takes the parsers minutes, or kills them: no configuration has it."""
    if len(text) > MOST_BYTES:
        raise ConfigError(
            f"the file is too large for a configuration: {len(text):,} letters", where=path,
            expected=f"{MOST_BYTES:,} at most", do_next="check the path: is this a log?",
        )  # fmt: skip
    bare = _TEXTS.sub(lambda found: "\x00" + "\n" * found[0].count("\n"), text)
    for what, form in (
        (f"a key of more than {MOST_PARTS} parts", _LONG_KEY),
        (f"a number of more than {MOST_LETTERS} characters", _LONG_NUMBER),
    ):
        if found := form.search(bare):
            line = bare.count("\n", 0, found.start()) + 1
            raise ConfigError(f"not usable TOML: {what}", where=f"{path}:{line}", got=f"{found[0][:40]}…")


def _depth(values: object) -> int:
    """How many tables and arrays stand in one another."""
    depth, level = 0, [values]
    while level:
        inside: list[object] = []
        for one in level:
            inside += one.values() if isinstance(one, dict) else one if isinstance(one, list) else ()
        depth, level = depth + 1, inside
    return depth


def _too_deep(path: Path) -> ConfigError:
    return ConfigError(
        "not usable TOML: brackets are nested too deeply", where=path, expected=f"{MOST_PARTS} in one another at most"
    )


def _not_toml(path: Path, text: str, message: str) -> ConfigError:
    """A syntax error with its line, and a hint where a Windows path is the likely cause."""
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    lines = text.splitlines() or [""]
    number = int(place[1]) if place and place[1] else len(lines)
    hint = None
    if "\\" in lines[min(number, len(lines)) - 1]:
        hint = "in TOML a backslash in \"…\" starts an escape: write paths with /, on Windows too"
    what = message[: place.start()] if place else message
    return ConfigError(f"not valid TOML: {what}", where=f"{path}:{number}", do_next=hint)


def _nodes(text: str) -> dict[str, Any]:
    try:
        import toml_rs

        nodes: dict[str, Any] = toml_rs.load_with_metadata(text).meta["nodes"]
        return nodes
    except Exception:  # a young library: lines are a courtesy, never a reason to fail
        return {}
