"""What a step keeps for the next night: a typed model in the program, JSON in the manifest.

The manifest keeps the JSON as it is, so that a store opens whatever an older or newer program wrote there. A step reads
it with its own model when it needs it. What does not fit that model is no error: the step is rebuilt and says so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

Stored = dict[str, object]


class State(BaseModel):
    """Base of all states: strict and frozen; keys that the model does not know are ignored, and not written again."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", defer_build=True)

    @property
    def stored(self) -> Stored:
        """The state as JSON: the fields that were given, in the order of the model."""
        return self.model_dump(mode="json", exclude_unset=True)


@dataclass(frozen=True)
class Unfit:
    """Why a stored state does not fit its model: ``clock.shift_us: Input should be a valid integer``."""

    why: str


StateT = TypeVar("StateT", bound=State)


def fit(model: type[StateT], stored: object) -> StateT | Unfit:
    """Read a stored state.

    Parameters
    ----------
    model : type
    stored : object
        As the manifest has it (JSON).

    Returns
    -------
    State or Unfit
        Unfit where a value has another type or range than the model asks for, or is missing.
    """
    try:
        return model.model_validate_json(json.dumps(stored))
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(map(str, first["loc"]))
        return Unfit(f"{place}: {first['msg']}" if place else str(first["msg"]))


def some_of(model: type[StateT], stored: object) -> StateT | Unfit:
    """Read the fields of a model out of a larger stored state; the others are not looked at."""
    if not isinstance(stored, Mapping):
        return fit(model, stored)
    return fit(model, {name: stored[name] for name in model.model_fields if name in stored})
