"""What every block of a plan says."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many, PatternText, Seconds
from benchpipe.errors import nearest


class BlockConfig(ConfigModel):
    """Name, rows and pauses of a block.

    ``drafted`` names keys of the block whose values were read off a log and are not yet compared with the test's
    protocol: what hangs on one of them is measured and shown, and judged by no limit.
    """

    name: str = Field(pattern=r"^[a-z][a-z0-9_-]*$")
    files: Many[PatternText] = ("*",)
    mode: int | None = None
    drafted: Many[str] = ()
    pause_min: Seconds | None = Field(default=None, ge=0)
    pause_max: Seconds | None = Field(default=None, ge=0)
    kind: str

    @property
    def other_blocks(self) -> dict[str, str]:
        """Key → name, of other blocks of its kind that it names."""
        return {}

    @model_validator(mode="after")
    def _pauses_rise(self) -> Self:
        if self.pause_min is not None and self.pause_max is not None and self.pause_min > self.pause_max:
            raise ValueError("pause_min must not be above pause_max")
        return self

    @model_validator(mode="after")
    def _drafted_keys_are_there(self) -> Self:
        stated = sorted(self.model_fields_set - {"name", "kind", "drafted"})
        for key in self.drafted:
            if key not in stated:
                raise ValueError(f"drafted names '{key}', which the block does not state; {nearest(key, stated)}")
        return self
