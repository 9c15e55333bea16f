"""The plan's section of sweeps through the free range."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.blocks.cut_config import CutConfig
from benchpipe.config.model import Load, Motion, MotionRate, Pair


class SweepBlock(CutConfig):
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
