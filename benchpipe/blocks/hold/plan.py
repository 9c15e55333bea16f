"""The plan's section of a hold."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.block import BlockConfig
from benchpipe.config.model import AnyQuantity, Load, Many, Motion, Ratio, Seconds
from benchpipe.units import a_quantity


class HoldBlock(BlockConfig):
    """A held load: creep."""

    kind: Literal["hold"]
    load: Load
    tolerance: Ratio = Field(default=0.02, gt=0)
    least_time: Seconds = Field(default=10.0, gt=0)
    skip_ramps: float = Field(default=5.0, ge=0)
    report_at: Many[Seconds] = (60.0, 600.0, 1800.0)
    planned_holds: int = Field(default=1, ge=1)
    stiffness: AnyQuantity | None = None
    motion_per_kelvin: Motion | None = None

    @model_validator(mode="after")
    def _stiff(self) -> Self:
        wanted = f"stiffness ({'angular' if self.load.quantity == 'torque' else 'linear'})"
        if self.stiffness is not None and self.stiffness.quantity != wanted:
            raise ValueError(f"stiffness is {a_quantity(self.stiffness.quantity)}, the load is a {self.load.quantity}")
        if self.stiffness is not None and self.stiffness.value <= 0.0:
            raise ValueError("stiffness must be above zero")
        return self

    @model_validator(mode="after")
    def _times_rise(self) -> Self:
        if list(self.report_at) != sorted(set(self.report_at)) or any(t <= 0 for t in self.report_at):
            raise ValueError("report_at must be rising times above zero")
        if self.load.value == 0.0:
            raise ValueError("load must not be zero: its tolerance is a part of it")
        return self
