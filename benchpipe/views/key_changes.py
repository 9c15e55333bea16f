"""Keys of a settings file whose values differ."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

MISSING = object()
NAMED_BY = ("name", "run", "valid_from", "measure")  # what tells tables of a list apart, the first that does


@dataclass(frozen=True)
class KeyChange:
    """A key, such as ``block[durability].tolerance``; its value before and after, as TOML; None: it was not there."""

    key: str
    was: str | None
    now: str | None


def key_changes(was: Any, now: Any, key: str = "") -> Iterator[KeyChange]:
    """Keys whose values differ, in the order of the files; tables of a list are matched by their names."""
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        for name in {**was, **now}:
            place = f"{key}.{name}" if key else str(name)
            yield from key_changes(was.get(name, MISSING), now.get(name, MISSING), place)
    elif (tables := _by_name(was, now)) is not None:
        for name in {**tables[0], **tables[1]}:
            yield from key_changes(tables[0].get(name, MISSING), tables[1].get(name, MISSING), f"{key}[{name}]")
    elif _differ(was, now):
        yield KeyChange(key, _text(was), _text(now))


def _differ(was: Any, now: Any) -> bool:
    """Whether two values differ; 1 and 1.0 and true are three values."""
    return _text(was) != _text(now)


def _by_name(was: Any, now: Any) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Tables of two lists by what tells them apart in both; None where they are no such lists."""
    if not (isinstance(was, list) and isinstance(now, list)) or not all(isinstance(x, Mapping) for x in (*was, *now)):
        return None
    for name in NAMED_BY:
        if all(name in one for one in (*was, *now)):
            found = tuple({str(one[name]): one for one in some} for some in (was, now))
            if len(found[0]) == len(was) and len(found[1]) == len(now):
                return found[0], found[1]
    return None


def _text(value: Any) -> str | None:
    """A value as TOML writes it, in one line, as far as JSON and TOML agree; dates as they are."""
    if value is MISSING:
        return None
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = {_text(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(str(_text(one)) for one in value) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str | bool | int | float) else str(value)
