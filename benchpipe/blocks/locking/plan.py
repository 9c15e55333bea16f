"""The plan's section of lock changes."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.block import BlockConfig
from benchpipe.config.model import Load, Motion, Seconds, Stiffness


class LockingBlock(BlockConfig):
    """Every lock and unlock of the joint, by the rig's mode channel."""

    kind: Literal["locking"]
    locked: int = 1
    unlocked: int = 0
    carry_load: Load
    still: Motion
    still_time: Seconds = Field(default=0.2, gt=0)
    within: Seconds = Field(default=2.0, gt=0)
    bounce_time: Seconds = Field(default=0.05, ge=0)
    locked_stiffness: Stiffness | None = None
    asked: Motion | None = None
    asked_channel: str | None = None
    planned_changes: int | None = Field(default=None, ge=1)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.mode is not None:
            raise ValueError("a locking block looks at all modes: leave out 'mode'")
        if self.locked == self.unlocked:
            raise ValueError("locked and unlocked must be two values of the mode channel")
        if self.carry_load.value <= 0.0 or self.still.value <= 0.0:
            raise ValueError("carry_load and still must be above zero")
        if self.locked_stiffness is not None and self.locked_stiffness.value <= 0.0:
            raise ValueError("locked_stiffness must be above zero")
        if self.asked is not None and self.asked_channel is not None:
            raise ValueError("give asked or asked_channel, not both")
        if not self.still_time < self.within:
            raise ValueError("still_time must be shorter than within")
        return self
