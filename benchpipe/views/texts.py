"""Every text of a view, changed alike: filled in for the user's folder, or made fit for a terminal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any, TypeVar

from pydantic import BaseModel

T = TypeVar("T")


def change_texts(value: T, change: Callable[[str], str]) -> T:
    """The value with ``change`` applied to each text in it, however deep."""
    changed: Any = value
    if isinstance(value, Enum):
        return value
    if isinstance(value, str):
        changed = change(value)
    elif isinstance(value, BaseModel):
        changed = value.model_copy(update={name: change_texts(one, change) for name, one in value})
    elif isinstance(value, dict):
        changed = {key: change_texts(one, change) for key, one in value.items()}
    elif isinstance(value, list | tuple):
        changed = type(value)(change_texts(one, change) for one in value)
    elif is_dataclass(value) and not isinstance(value, type):
        changed = replace(value, **{f.name: change_texts(getattr(value, f.name), change) for f in fields(value)})
    return changed  # type: ignore[no-any-return]
