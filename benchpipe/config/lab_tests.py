"""Tests of a lab file: several specimens, each going through stages, make one test.

A stage is a run, or some blocks of one. A specimen that is replaced, or a stage that is repeated, is allowed in the
file beforehand, with the name of its substitute and the reason.
"""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many, Ratio


class LabStageConfig(ConfigModel):
    """A stage of a specimen: a run, or some of its blocks, judged by all its limit files or by some.

    ``blocks`` empty: all blocks of the plan; ``limits`` empty: all its limit files, by their names. Limits on the
    run as a whole (its order, its calibration) count in every stage.
    """

    run: str
    name: str = ""
    blocks: Many[str] = ()
    limits: Many[str] = ()
    repeated_by: str | None = None
    reason: str = ""

    @property
    def called(self) -> str:
        """Name of the stage: that of its run where it has none of its own."""
        return self.name or self.run


class LabSpecimenConfig(ConfigModel):
    """A specimen of a test, with its stages in order."""

    name: str = Field(min_length=1)
    stage: Many[LabStageConfig] = Field(min_length=1)
    replaced_by: str | None = None
    reason: str = ""

    @model_validator(mode="after")
    def _stages_differ(self) -> Self:
        names = [stage.called for stage in self.stage]
        if len(set(names)) != len(names):
            raise ValueError(f"the names of stages must differ (by default that of the run): {', '.join(names)}")
        taken: list[tuple[str, tuple[str, ...]]] = []
        for stage in self.stage:
            for run, blocks in taken:
                if run == stage.run and (not blocks or not stage.blocks or set(blocks) & set(stage.blocks)):
                    raise ValueError(f"two stages of run '{run}' must name different blocks")
            taken.append((stage.run, stage.blocks))
        return self


class LabTestConfig(ConfigModel):
    """A test: it is passed when the required specimens pass all their stages.

    ``confidence`` is that of the stated reliability; ``weibull_shape`` is stated, never fitted.
    """

    name: str = Field(min_length=1)
    required: int = Field(ge=1)
    confidence: Ratio = Field(default=0.9, gt=0, lt=1)
    weibull_shape: float | None = Field(default=None, gt=0)
    allow_substitute: int = Field(default=0, ge=0)
    allow_repeat: int = Field(default=0, ge=0)
    specimen: Many[LabSpecimenConfig] = Field(min_length=1)

    @model_validator(mode="after")
    def _as_configured(self) -> Self:
        names = [one.name for one in self.specimen]
        if len(set(names)) != len(names):
            raise ValueError(f"the names of specimens must differ: {', '.join(names)}")
        owner: dict[str, str] = {}
        for one in self.specimen:
            for stage in one.stage:
                if owner.setdefault(stage.run, one.name) != one.name:
                    raise ValueError(f"run '{stage.run}' is of one specimen; got '{owner[stage.run]}' and '{one.name}'")
        replaced = sum(one.replaced_by is not None for one in self.specimen)
        repeated = sum(stage.repeated_by is not None for one in self.specimen for stage in one.stage)
        for what, count, key, allowed in (
            ("specimen(s) are replaced", replaced, "allow_substitute", self.allow_substitute),
            ("stage(s) are repeated", repeated, "allow_repeat", self.allow_repeat),
        ):
            if count > allowed:
                raise ValueError(f"{count} {what}, {key} = {allowed}: more than the test was set up for")
        return self
