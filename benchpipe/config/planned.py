"""Work on a specimen that a plan foresees, or that a person notes: its kinds, and its section of a plan."""

from __future__ import annotations

from typing import Literal, get_args

from pydantic import Field

from benchpipe.config.model import ConfigModel

PlannedKind = Literal["exchange", "retightened", "inspection", "rezero"]
PLANNED_KINDS: tuple[str, ...] = get_args(PlannedKind)
"""From each of these on the drift of a block has a new base: the change there is no alarm."""
OBSERVED = "observed"
NOTE_KINDS: tuple[str, ...] = (*PLANNED_KINDS, OBSERVED)
"""An observation changes nothing: it is named beside an event that is near it."""


class PlannedConfig(ConfigModel):
    """Work that is planned at a cycle of a cyclic block: a part exchanged, an inspection, a sensor set to zero."""

    kind: PlannedKind
    block: str
    cycle: int = Field(ge=1)
    text: str = ""
