"""Names of measures and columns that changed: the old ones are still read."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator

NOW = {
    "closure_gap": "closure_error",
    "free_lash": "free_backlash",
    "lash": "backlash",
    "lash_u": "backlash_u",
}
BEFORE = {now: before for before, now in NOW.items()}


def name_now(name: str) -> str:
    """The name that a measure or column has now."""
    return NOW.get(name, name)


MeasureName = Annotated[str, AfterValidator(name_now)]
"""A measure in a config, by its old name or by the one that it has now."""
