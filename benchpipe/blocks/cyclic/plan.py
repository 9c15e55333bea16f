"""The plan's section of a block of load cycling."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.blocks.cut_config import CutConfig
from benchpipe.blocks.cyclic.tables import CYCLES
from benchpipe.config.model import AnyDifference, ConfigModel, CycleCount, Load, LoadOrMotion, Many, Motion, Pair, Ratio
from benchpipe.errors import nearest

PlannedBy = Literal["detected", "counter"]
LOAD = ("torque", "force")


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


class CyclicBlock(CutConfig):
    """Load cycling.

    ``planned_by`` says which count decides whether ``planned_cycles`` are reached, here and in limits on
    ``cycles_done``: the complete cycles that were detected, or the rig's own counter, which goes on counting at
    stops and while nothing is logged (:mod:`benchpipe.blocks.cyclic.planned_end`).
    """

    kind: Literal["cyclic"]
    boundary: Literal["crossing", "record", "row"] = "crossing"
    control: Literal["load", "motion"] | None = None
    load_min: Load | None = None
    load_max: Load | None = None
    motion_min: Motion | None = None
    motion_max: Motion | None = None
    tolerance: Ratio = Field(default=0.05, gt=0)
    planned_cycles: CycleCount | None = None
    planned_by: PlannedBy = "detected"
    baseline: Pair[CycleCount] | None = None
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
