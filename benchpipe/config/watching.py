"""Sections of a lab file on the health of its rigs, on notifications and on pages."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self, get_args

from pydantic import Field, model_validator

from benchpipe.config.model import ConfigModel, Many, PathText, Ratio, Seconds

HealthCode = Literal[
    "clock", "rig-stopped", "sensor-stuck", "load-not-reached", "dropped-samples", "rig-slow", "counter-apart",
    "calibration-due", "disk-space", "not-looked-at",
]  # fmt: skip
HEALTH_CODES: tuple[str, ...] = get_args(HealthCode)
Occasion = Literal["limit-failed", "run-broke", "alarm", "health", "night-finished"]
Topic = Literal[Occasion, HealthCode]
Share = Annotated[Ratio, Field(gt=0)]
Span = Annotated[Seconds, Field(gt=0)]
ManyCycles = Annotated[int, Field(ge=10)]


class HealthConfig(ConfigModel):
    """From when on a rig counts as not well. ``watch`` holds names of runs, or patterns of them."""

    watch: Many[str] = ("*",)
    stopped_after: Span = 3600.0
    clock_apart: Span = 600.0
    stuck_after: Span = 60.0
    last_cycles: ManyCycles = 1000
    off_target: Share = 0.1
    dropped_samples: Share = 0.01
    slower: Share = 0.1
    counter_cycles: ManyCycles = 10_000
    counter_apart: Share = 0.005
    calibration_within: Span = 30 * 86_400.0
    space_for: Span = 7 * 86_400.0


class PageConfig(ConfigModel):
    """Where ``nightly`` writes the board of the lab, and which runs get a page of their own beside it."""

    folder: PathText
    runs: Many[str] = ("*",)


class VerifyConfig(ConfigModel):
    """How often a night verifies each log and each part against its hash: a share of them each night."""

    every: Span = 30 * 86_400.0


class TellConfig(ConfigModel):
    """A recipient and the alarms it gets. The addresses are secrets, so they are in the environment or in a file."""

    name: str = Field(min_length=1)
    on: Many[Topic] = ("limit-failed", "run-broke", "alarm", "health")
    runs: Many[str] = ("*",)
    env: str | None = None
    file: PathText | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.env is None) == (self.file is None):
            raise ValueError("give env (the name of an environment variable) or file, not both: where the URLs stand")
        if self.env is not None and not re.fullmatch("[A-Za-z_][A-Za-z0-9_]*", self.env):
            raise ValueError("env is the name of an environment variable, never the URL itself")
        if not self.on:
            raise ValueError("on is empty: nothing would be sent")
        return self
