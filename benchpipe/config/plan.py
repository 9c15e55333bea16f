"""Plan files: one specimen under one test plan on one rig, made of blocks.

A plan is what the commands call a run.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import (
    ConfigModel,
    Hertz,
    Load,
    LoadOrMotion,
    Many,
    Motion,
    Pair,
    PathText,
    PatternText,
    Ratio,
    Seconds,
)
from benchpipe.units import a_quantity

Cycles = Annotated[int, Field(ge=1)]
LOAD = ("torque", "force")


class _Block(ConfigModel):
    name: str = Field(pattern=r"^[a-z][a-z0-9_-]*$")
    files: Many[PatternText] = ("*",)
    mode: int | None = None


class _Cycling(_Block):
    """What every block that is cut into cycles says."""

    low: LoadOrMotion | None = None
    high: LoadOrMotion | None = None
    frequency: Hertz = Field(gt=0)
    least_samples: int = Field(default=10, ge=4)
    lowpass: Hertz | None = Field(default=None, gt=0)

    @property
    def trigger(self) -> Literal["load", "motion"]:
        """The signal whose crossings bound a cycle."""
        raise NotImplementedError

    @property
    def longest_cycle_s(self) -> float:
        """A cycle not closed after this time [s] is a stop, not a cycle."""
        return 3.0 / self.frequency

    @model_validator(mode="after")
    def _thresholds(self) -> Self:
        if (self.low is None) != (self.high is None):
            raise ValueError("give both low and high, or neither")
        if self.low is not None and self.high is not None:
            if self.low.quantity != self.high.quantity:
                low, high = a_quantity(self.low.quantity), a_quantity(self.high.quantity)
                raise ValueError(f"low is {low}, high {high}")
            if not self.low.value < self.high.value:
                raise ValueError("low must be below high")
        return self


class CyclicBlock(_Cycling):
    """Load cycling."""

    kind: Literal["cyclic"]
    boundary: Literal["crossing", "record", "row"] = "crossing"
    control: Literal["load", "motion"] | None = None
    load_min: Load | None = None
    load_max: Load | None = None
    motion_min: Motion | None = None
    motion_max: Motion | None = None
    tolerance: Ratio = Field(default=0.05, gt=0)
    planned_cycles: Cycles | None = None
    baseline: Pair[Cycles] | None = None
    stiffness_band: Pair[Ratio] = (0.2, 0.8)

    @property
    def targets(self) -> tuple[LoadOrMotion, LoadOrMotion] | None:
        """Lower and upper target of the controlled signal, where the plan gives them."""
        if self.load_min is not None and self.load_max is not None:
            return self.load_min, self.load_max
        if self.motion_min is not None and self.motion_max is not None:
            return self.motion_min, self.motion_max
        return None

    @property
    def trigger(self) -> Literal["load", "motion"]:
        """Load, unless the block is controlled by motion."""
        chosen = self.low if self.low is not None else (self.targets or (None,))[0]
        if chosen is None:
            return self.control or "load"
        return "load" if chosen.quantity in LOAD else "motion"

    @property
    def learns(self) -> bool:
        """Whether its thresholds are learnt from the data."""
        return self.boundary == "crossing" and self.targets is None and self.low is None

    @model_validator(mode="after")
    def _targets_fit(self) -> Self:
        for what, low, high in (
            ("load", self.load_min, self.load_max),
            ("motion", self.motion_min, self.motion_max),
        ):
            if (low is None) != (high is None):
                raise ValueError(f"give both {what}_min and {what}_max, or neither")
            if low is not None and high is not None:
                if low.quantity != high.quantity or not low.value < high.value:
                    raise ValueError(f"{what}_min must be below {what}_max, in the same quantity")
        if self.load_min is not None and self.motion_min is not None:
            raise ValueError("a block is controlled by load or by motion: give targets for one")
        if self.control is not None and self.control != self.trigger:
            raise ValueError(f"control is {self.control}, and the targets or thresholds are of {self.trigger}")
        first, last = self.baseline or (1, 2)
        if not first < last:
            raise ValueError("baseline: the first cycle must be below the last")
        if self.baseline and self.planned_cycles and last > self.planned_cycles:
            raise ValueError(f"baseline ends at cycle {last}, the plan at {self.planned_cycles}")
        low_band, high_band = self.stiffness_band
        if not 0.0 <= low_band < high_band <= 1.0:
            raise ValueError("stiffness_band must be two rising parts of the range between 0 and 100 %")
        return self


class HoldBlock(_Block):
    """A held load: creep."""

    kind: Literal["hold"]
    load: Load
    tolerance: Ratio = Field(default=0.02, gt=0)
    least_time: Seconds = Field(default=10.0, gt=0)
    skip_ramps: float = Field(default=5.0, ge=0)
    report_at: Many[Seconds] = (60.0, 600.0, 1800.0)
    planned_holds: int = Field(default=1, ge=1)

    @model_validator(mode="after")
    def _times_rise(self) -> Self:
        if list(self.report_at) != sorted(set(self.report_at)) or any(t <= 0 for t in self.report_at):
            raise ValueError("report_at must be rising times above zero")
        if self.load.value == 0.0:
            raise ValueError("load must not be zero: its tolerance is a part of it")
        return self


class SweepBlock(_Cycling):
    """Slow motion through the free range: resistance, range of motion."""

    kind: Literal["sweep"]
    low: Motion
    high: Motion
    resistance_between: Pair[Motion]
    usable_load: Load
    planned_sweeps: int = Field(default=1, ge=1)

    @property
    def trigger(self) -> Literal["load", "motion"]:
        """Sweeps are bounded by motion."""
        return "motion"

    @model_validator(mode="after")
    def _ranges_fit(self) -> Self:
        first, second = self.resistance_between
        if first.quantity != second.quantity or not first.value < second.value:
            raise ValueError("resistance_between: the first value must be below the second, in the same quantity")
        if self.usable_load.value <= 0.0:
            raise ValueError("usable_load must be above zero")
        return self


class ProofBlock(_Block):
    """Static load, hold, permanent set."""

    kind: Literal["proof"]
    load: Load
    settling_load: Load
    tolerance: Ratio = Field(default=0.01, gt=0)
    hold_time: Seconds = Field(default=30.0, gt=0)


class IdleBlock(_Block):
    """Rows that are stored and not judged."""

    kind: Literal["idle"]


Block = Annotated[CyclicBlock | HoldBlock | SweepBlock | ProofBlock | IdleBlock, Field(discriminator="kind")]


class PlanConfig(ConfigModel):
    """A plan file: the whole of it."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    specimen: str
    note: str = ""
    rig: PathText
    limits: Many[PathText] = ()
    logs: Many[PatternText] = Field(min_length=1)
    block: Many[Block] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [b.name for b in self.block]
        if len(set(names)) != len(names):
            raise ValueError(f"block names must differ: {', '.join(names)}")
        if len(set(self.limits)) != len(self.limits):
            raise ValueError("a limit file is listed twice")
        return self
