"""The bumper file: measured loops of one family of bumpers, each at its setting."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from benchpipe.config.model import (
    AtKeyError,
    ConfigModel,
    Cycles,
    Load,
    Many,
    Millimetres,
    Pair,
    PathText,
    Seconds,
    load_model,
)
from benchpipe.config.toml import TomlFile

PRECONDITIONED = 4
"""First cycle that a fit uses: rubber softens in the first ones (Mullins), up to the largest deformation so far."""


class BumperLoopConfig(ConfigModel):
    """Loops of one run at one setting.

    ``setting`` is a number that orders the family: preload, hardness, spring position. ``cycles``: which of the kept
    loops; all from ``first_cycle`` on where it is left out. ``rest``: how long the bumper rested before.
    """

    plan: PathText
    block: str
    setting: float
    label: str = ""
    specimen: str = Field(min_length=1)
    cycles: Pair[Cycles] | None = None
    rest: Seconds | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.cycles is not None and self.cycles[0] > self.cycles[1]:
            raise AtKeyError("cycles must be two rising cycle numbers", "cycles")
        return self


class BumperConfig(ConfigModel):
    """A bumper file: the whole of it.

    ``arms`` are the lever arms of the bumper that rising motion presses and of the other one, ``heights`` their free
    heights; without arms the laws are torsional. ``hardness`` is a prior and is only recorded.
    """

    name: str = Field(min_length=1)
    note: str = ""
    setting: str = Field(min_length=1)
    first_cycle: Cycles = PRECONDITIONED
    arms: Pair[Millimetres] | None = None
    heights: Pair[Millimetres] | None = None
    hardness: float | None = Field(default=None, ge=20, le=80)
    structural_limit: Load | None = None
    loop: Many[BumperLoopConfig] = Field(min_length=2)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.heights is not None and self.arms is None:
            raise AtKeyError("heights go with arms: without lever arms compression is not known", "heights")
        for key in ("arms", "heights"):
            ends = getattr(self, key)
            if ends is not None and not min(ends) > 0.0:
                raise AtKeyError(f"{key} must be above zero", key)
        if self.structural_limit is not None and self.structural_limit.quantity != "torque":
            raise AtKeyError("the structural limit is a torque, such as '150 N*m'", "structural_limit")
        if len({one.setting for one in self.loop}) < 2:
            raise AtKeyError("one setting alone: between settings nothing can be said", "loop")
        return self


@dataclass(frozen=True)
class BumperFile:
    """A bumper file and where it is."""

    config: BumperConfig
    file: TomlFile


def load_bumper_file(path: Path) -> BumperFile:
    """Read a bumper file.

    Raises
    ------
    ConfigError
        It is missing or wrong: file, line, key.
    """
    return BumperFile(*load_model(BumperConfig, path))
