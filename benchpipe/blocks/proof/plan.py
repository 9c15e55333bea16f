"""The plan's section of a proof."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.block import BlockConfig
from benchpipe.config.model import Load, LoadRate, Pair, Ratio, Seconds
from benchpipe.units import a_quantity


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
