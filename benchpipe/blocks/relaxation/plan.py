"""The plan's section of a held motion whose load relaxes."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.block import BlockConfig
from benchpipe.config.model import Many, Motion, Ratio, Seconds


class RelaxationBlock(BlockConfig):
    """A held motion: relaxation of the load."""

    kind: Literal["relaxation"]
    motion: Motion
    tolerance: Ratio = Field(default=0.02, gt=0)
    least_time: Seconds = Field(default=10.0, gt=0)
    skip_ramps: float = Field(default=5.0, ge=0)
    report_at: Many[Seconds] = (60.0, 600.0, 1800.0)
    planned_relaxations: int = Field(default=1, ge=1)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if list(self.report_at) != sorted(set(self.report_at)) or any(t <= 0 for t in self.report_at):
            raise ValueError("report_at must be rising times above zero")
        if self.motion.value == 0.0:
            raise ValueError("motion must not be zero: its tolerance is a part of it")
        return self
