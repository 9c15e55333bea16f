"""The plan's section of stance windows."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.block import BlockConfig
from benchpipe.config.model import Load, Seconds


class StanceBlock(BlockConfig):
    """Short stretches in which the joint is stood on: still, or swaying."""

    kind: Literal["stance"]
    posture: Literal["quiet", "sway"] = "quiet"
    load_min: Load | None = None
    load_max: Load | None = None
    window: Seconds | None = Field(default=None, gt=0)
    settling_time: Seconds = Field(default=1.0, ge=0)
    planned_windows: int = Field(default=1, ge=1)

    @property
    def window_s(self) -> float:
        """Length of a window [s]: 8 s quiet, 30 s sway are common practice, no source."""
        return self.window if self.window is not None else {"quiet": 8.0, "sway": 30.0}[self.posture]

    @model_validator(mode="after")
    def _found_somehow(self) -> Self:
        low, high = self.load_min, self.load_max
        if (low is None) != (high is None):
            raise ValueError("give both load_min and load_max, or neither")
        if low is not None and high is not None:
            if low.quantity != high.quantity or not low.value < high.value:
                raise ValueError("load_min must be below load_max, in the same quantity")
        elif self.mode is None and self.files == ("*",):
            raise ValueError("give load_min and load_max, a mode, or files: something must tell where a stance is")
        return self
