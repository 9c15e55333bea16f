"""What every block of a plan says."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many, PatternText, Seconds


class BlockConfig(ConfigModel):
    """Name, rows and pauses of a block."""

    name: str = Field(pattern=r"^[a-z][a-z0-9_-]*$")
    files: Many[PatternText] = ("*",)
    mode: int | None = None
    pause_min: Seconds | None = Field(default=None, ge=0)
    pause_max: Seconds | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _pauses_rise(self) -> Self:
        if self.pause_min is not None and self.pause_max is not None and self.pause_min > self.pause_max:
            raise ValueError("pause_min must not be above pause_max")
        return self
