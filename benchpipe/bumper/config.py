"""The bumper file: measured loops of one family of bumpers, each at its setting."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from benchpipe.config.model import (
    AtKeyError,
    ConfigModel,
    CycleCount,
    Load,
    Many,
    Millimetres,
    Pair,
    PathText,
    Seconds,
    load_model,
)
from benchpipe.config.toml import TomlFile
from benchpipe.kernels.bumper_prior import Faces

PRECONDITIONED = 4
"""First cycle that a fit uses: rubber softens in the first ones (Mullins), up to the largest deformation so far."""


def _both(value: object) -> object:
    return [value, value] if isinstance(value, int | float) and not isinstance(value, bool) else value


ShoreA = Annotated[float, Field(ge=20, le=80)]  # where Gent's formula holds
Hardness = Annotated[Pair[ShoreA], BeforeValidator(_both)]
"""Of the bumper that rising motion presses and of the other one; one number is of both."""


class BumperLoopConfig(ConfigModel):
    """Loops of one run at one setting.

    ``setting`` is a number that orders the family: preload, hardness, spring position. ``cycles``: which of the kept
    loops; all from ``first_cycle`` on where it is left out. ``rest``: how long the bumper rested before. ``hardness``
    [Shore A]: of this setting's bumpers, where they differ from the file's.
    """

    plan: PathText
    block: str
    setting: float
    label: str = ""
    specimen: str = Field(min_length=1)
    cycles: Pair[CycleCount] | None = None
    rest: Seconds | None = Field(default=None, ge=0)
    hardness: Hardness | None = None

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.cycles is not None and self.cycles[0] > self.cycles[1]:
            raise AtKeyError("cycles must be two rising cycle numbers", "cycles")
        return self


class BumperConfig(ConfigModel):
    """A bumper file: the whole of it.

    ``arms`` are the lever arms of the bumper that rising motion presses and of the other one, ``heights`` their free
    heights; without arms the laws are torsional. ``diameters``, ``holes`` and ``faces`` are of round blocks: with
    hardness, arms and heights they are a prior of the stiffness at contact, and no more.
    """

    name: str = Field(min_length=1)
    note: str = ""
    setting: str = Field(min_length=1)
    first_cycle: CycleCount = PRECONDITIONED
    arms: Pair[Millimetres] | None = None
    heights: Pair[Millimetres] | None = None
    diameters: Pair[Millimetres] | None = None
    holes: Pair[Millimetres] | None = None
    faces: Faces = ""
    hardness: Hardness | None = None
    structural_limit: Load | None = None
    loop: Many[BumperLoopConfig] = Field(min_length=2)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.heights is not None and self.arms is None:
            raise AtKeyError("heights go with arms: without lever arms compression is not known", "heights")
        if self.diameters is not None and self.heights is None:
            raise AtKeyError("diameters go with arms and heights: a stiffness needs all three", "diameters")
        if self.holes is not None and self.diameters is None:
            raise AtKeyError("holes go with diameters", "holes")
        if self.holes is not None and self.diameters is not None:
            if not all(0.0 <= hole < whole for hole, whole in zip(self.holes, self.diameters, strict=True)):
                raise AtKeyError("a hole is smaller than its diameter, 0 mm where there is none", "holes")
        for key in ("arms", "heights", "diameters"):
            ends = getattr(self, key)
            if ends is not None and not min(ends) > 0.0:
                raise AtKeyError(f"{key} must be above zero", key)
        if self.structural_limit is not None and self.structural_limit.quantity != "torque":
            raise AtKeyError("the structural limit is a torque, such as '150 N*m'", "structural_limit")
        if len({one.setting for one in self.loop}) < 2:
            raise AtKeyError("one setting alone: between settings nothing can be said", "loop")
        return self

    @model_validator(mode="after")
    def _loops_differ(self) -> Self:
        labels: dict[float, str] = {}
        for i, one in enumerate(self.loop):
            named = labels.setdefault(one.setting, one.label)
            if one.label != named:
                raise AtKeyError(f"setting {one.setting:g} is called '{named}' and '{one.label}'", "loop", i, "label")
            same = [(x.plan, x.block, x.cycles) for x in self.loop[:i]]
            if (one.plan, one.block, one.cycles) in same:
                raise AtKeyError("this block of this run is named twice", "loop", i, "plan")
        return self

    def hardness_of(self, setting: float) -> tuple[float, float] | None:
        """Hardness of a setting's bumpers, the mean of its loops'; that of the file where none states its own."""
        own = [one.hardness for one in self.loop if one.setting == setting and one.hardness is not None]
        if not own:
            return self.hardness
        return sum(one[0] for one in own) / len(own), sum(one[1] for one in own) / len(own)


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
