"""A view as text, and back: a night keeps it, so that the next command need not compute it.

Only the types that a view is made of are written and read, by name: a file of a store is data and runs nothing.
"""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from enum import Enum
from importlib import import_module
from typing import Any

from benchpipe.views.model import RunView

TYPES = {  # what a view may be made of, and where it is
    "RunView": "benchpipe.views.model", "Pace": "benchpipe.views.model", "BlockView": "benchpipe.blocks.figures",
    "Figure": "benchpipe.blocks.figures", "Finding": "benchpipe.health.finding",
    "TogetherResult": "benchpipe.check.together", "Verdict": "benchpipe.check.decision",
    "Remark": "benchpipe.store.manifest",
}  # fmt: skip
PLAIN = (str, bool, int, float, type(None))


def kept_text(view: RunView) -> str | None:
    """The view as JSON; None where it holds something that would not come back as it is."""
    try:
        text = json.dumps(_plain(view), separators=(",", ":"))
        return text if repr(view_of(text)) == repr(view) else None
    except (TypeError, ValueError):
        return None


def view_of(text: str) -> RunView:
    """The view that :func:`kept_text` wrote.

    Raises
    ------
    ValueError
        It is no such text.
    """
    try:
        view = _value(json.loads(text))
    except (TypeError, KeyError, IndexError, AttributeError) as error:
        raise ValueError(f"no view: {error}") from None
    if not isinstance(view, RunView):
        raise ValueError("no view")
    return view


def _plain(value: Any) -> Any:
    """Values → JSON: a list is ``[items]``, a tuple ``{"t": items}``, a dict ``{"d": pairs}``, others by their type."""
    name = type(value).__name__
    if type(value) in PLAIN:
        return value
    if type(value) is list:
        return [[_plain(one) for one in value]]
    if type(value) is tuple:
        return {"t": [_plain(one) for one in value]}
    if type(value) is dict and all(type(key) is str for key in value):
        return {"d": {key: _plain(one) for key, one in value.items()}}
    if TYPES.get(name) != type(value).__module__:
        raise TypeError(f"{name} is no part of a view")
    if isinstance(value, Enum):
        return {"e": [name, value.value]}
    if is_dataclass(value) and not isinstance(value, type):
        return {"o": [name, [_plain(getattr(value, field.name)) for field in fields(value)]]}
    return {"m": [name, value.model_dump(mode="json")]}


def _value(kept: Any) -> Any:
    if isinstance(kept, list):
        return [_value(one) for one in kept[0]]
    if not isinstance(kept, dict):
        return kept
    ((what, inner),) = kept.items()
    if what == "t":
        return tuple(map(_value, inner))
    if what == "d":
        return {key: _value(one) for key, one in inner.items()}
    name, given = inner
    made = getattr(import_module(TYPES[name]), name)
    if what == "o":
        return made(*map(_value, given))
    return made(**given) if what == "m" else made(given)
