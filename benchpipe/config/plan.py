"""Plan files: one specimen under one test plan on one rig, made of blocks.

A plan is what the commands call a run.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.block import BlockConfig
from benchpipe.config.model import (
    AnyDifference,
    AnyQuantity,
    ConfigModel,
    Hertz,
    Load,
    LoadOrMotion,
    LoadRate,
    Many,
    Motion,
    MotionRate,
    Pair,
    PathText,
    PatternText,
    Ratio,
    Seconds,
    StatedPause,
    Stiffness,
)
from benchpipe.config.relaxation import RelaxationBlock
from benchpipe.errors import nearest
from benchpipe.tables import CYCLES
from benchpipe.units import a_quantity

Cycles = Annotated[int, Field(ge=1)]
PlannedBy = Literal["detected", "counter"]
LOAD = ("torque", "force")


class _Cycling(BlockConfig):
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


class TemperatureConfig(ConfigModel):
    """How a measure of the cycles follows temperature, as known beforehand: a relative change for each kelvin.

    ``uncertainty`` is expanded (k = 2). Where no temperature is logged, ``swing`` says by how much it may differ
    between the baseline and the cycles judged.
    """

    measure: str
    per_kelvin: Ratio
    uncertainty: Ratio = Field(ge=0)
    swing: AnyDifference | None = None

    @model_validator(mode="after")
    def _kelvins(self) -> Self:
        columns = [column.name for column in CYCLES]
        if self.measure not in columns:
            raise ValueError(f"measure '{self.measure}' is no column of the cycles; {nearest(self.measure, columns)}")
        if self.swing is not None and (self.swing.quantity != "temperature" or self.swing.value <= 0.0):
            raise ValueError("swing must be a difference of temperature above zero, such as '8 K'")
        return self


class CyclicBlock(_Cycling):
    """Load cycling.

    ``planned_by`` says which count decides whether ``planned_cycles`` are reached, here and in limits on
    ``cycles_done``: the complete cycles that were detected, or the rig's own counter, which goes on counting at
    stops and while nothing is logged (:mod:`benchpipe.check.planned_end`).
    """

    kind: Literal["cyclic"]
    boundary: Literal["crossing", "record", "row"] = "crossing"
    control: Literal["load", "motion"] | None = None
    load_min: Load | None = None
    load_max: Load | None = None
    motion_min: Motion | None = None
    motion_max: Motion | None = None
    tolerance: Ratio = Field(default=0.05, gt=0)
    planned_cycles: Cycles | None = None
    planned_by: PlannedBy = "detected"
    baseline: Pair[Cycles] | None = None
    stiffness_band: Pair[Ratio] = (0.2, 0.8)
    temperature: Many[TemperatureConfig] = ()

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


class SweepBlock(_Cycling):
    """Slow motion through the free range: resistance, range of motion."""

    kind: Literal["sweep"]
    low: Motion
    high: Motion
    resistance_between: Pair[Motion]
    usable_load: Load
    stops_beyond: Pair[Motion] | None = None
    speed_dead_band: MotionRate | None = None
    breakaway_within: Motion | None = None
    reference_speed: MotionRate | None = None
    planned_sweeps: int = Field(default=1, ge=1)

    @property
    def trigger(self) -> Literal["load", "motion"]:
        """Sweeps are bounded by motion."""
        return "motion"

    @property
    def speed_dead_band_per_s(self) -> float | None:
        """Dead band of speed [motion/s]."""
        return self.speed_dead_band.value / 3600.0 if self.speed_dead_band else None

    @property
    def reference_speed_per_s(self) -> float | None:
        """Speed [motion/s] at which the parts of the resistance are given."""
        return self.reference_speed.value / 3600.0 if self.reference_speed else None

    @model_validator(mode="after")
    def _ranges_fit(self) -> Self:
        first, second = self.resistance_between
        if first.quantity != second.quantity or not first.value < second.value:
            raise ValueError("resistance_between: the first value must be below the second, in the same quantity")
        if self.usable_load.value <= 0.0:
            raise ValueError("usable_load must be above zero")
        if self.stops_beyond is not None:
            low, high = self.stops_beyond
            if low.quantity != first.quantity or high.quantity != first.quantity or not low.value <= high.value:
                raise ValueError("stops_beyond must be two motions, the first not above the second")
        for key in ("speed_dead_band", "breakaway_within", "reference_speed"):
            value = getattr(self, key)
            if value is not None and value.value <= 0.0:
                raise ValueError(f"{key} must be above zero")
        return self


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


class ProofBlock(BlockConfig):
    """Static load, hold, permanent set."""

    kind: Literal["proof"]
    load: Load
    settling_load: Load
    tolerance: Ratio = Field(default=0.01, gt=0, lt=0.2)
    attempt_from: Ratio = Field(default=0.65, gt=0, lt=1)
    loading_rate: Pair[LoadRate] | None = None
    hold_time: Seconds = Field(default=30.0, gt=0)
    hold_tolerance: Seconds | None = Field(default=None, ge=0)
    settling_time: Seconds = Field(default=1.0, gt=0)
    sudden_drop: Ratio = Field(default=0.05, gt=0, lt=1)
    sudden_time: Seconds = Field(default=0.5, gt=0)
    planned_proofs: int = Field(default=1, ge=1)

    @property
    def band(self) -> float:
        """How far a load may be from what was asked, in the load's unit."""
        return self.tolerance * abs(self.load.value)

    @model_validator(mode="after")
    def _loads_fit(self) -> Self:
        load, settling = self.load, self.settling_load
        if load.quantity != settling.quantity:
            raise ValueError(f"load is {a_quantity(load.quantity)}, settling_load {a_quantity(settling.quantity)}")
        if load.value == 0.0 or settling.value * load.value < 0.0:
            raise ValueError("load must not be zero, and settling_load must go the same way")
        if abs(settling.value) + 3.0 * self.band > self.attempt_from * abs(load.value):
            raise ValueError("settling_load must be well below attempt_from of the load")
        if self.loading_rate is not None:
            low, high = self.loading_rate
            if low.quantity != high.quantity or not 0.0 <= low.value < high.value:
                raise ValueError("loading_rate: the first value must be below the second, in the same quantity")
        return self


class LockingBlock(BlockConfig):
    """Every lock and unlock of the joint, by the rig's mode channel."""

    kind: Literal["locking"]
    locked: int = 1
    unlocked: int = 0
    carry_load: Load
    still: Motion
    still_time: Seconds = Field(default=0.2, gt=0)
    within: Seconds = Field(default=2.0, gt=0)
    bounce_time: Seconds = Field(default=0.05, ge=0)
    locked_stiffness: Stiffness | None = None
    asked: Motion | None = None
    asked_channel: str | None = None
    planned_changes: int | None = Field(default=None, ge=1)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.mode is not None:
            raise ValueError("a locking block looks at all modes: leave out 'mode'")
        if self.locked == self.unlocked:
            raise ValueError("locked and unlocked must be two values of the mode channel")
        if self.carry_load.value <= 0.0 or self.still.value <= 0.0:
            raise ValueError("carry_load and still must be above zero")
        if self.locked_stiffness is not None and self.locked_stiffness.value <= 0.0:
            raise ValueError("locked_stiffness must be above zero")
        if self.asked is not None and self.asked_channel is not None:
            raise ValueError("give asked or asked_channel, not both")
        if not self.still_time < self.within:
            raise ValueError("still_time must be shorter than within")
        return self


class IdleBlock(BlockConfig):
    """Rows that are stored and not judged."""

    kind: Literal["idle"]


Block = Annotated[
    CyclicBlock | HoldBlock | RelaxationBlock | SweepBlock | ProofBlock | LockingBlock | StanceBlock | IdleBlock,
    Field(discriminator="kind"),
]


class PlanConfig(ConfigModel):
    """A plan file: the whole of it."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    specimen: str
    note: str = ""
    rig: PathText
    limits: Many[PathText] = ()
    logs: Many[PatternText] = Field(min_length=1)
    restart_pause: StatedPause = None
    block: Many[Block] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [b.name for b in self.block]
        if len(set(names)) != len(names):
            raise ValueError(f"block names must differ: {', '.join(names)}")
        if len(set(self.limits)) != len(self.limits):
            raise ValueError("a limit file is listed twice")
        return self
