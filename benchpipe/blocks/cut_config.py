"""Keys of the plan that all kinds cut into cycles share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.blocks.base import Misfit
from benchpipe.config.block import BlockConfig
from benchpipe.config.model import Hertz, LoadOrMotion
from benchpipe.config.rig import RigConfig
from benchpipe.units import a_quantity


class CutConfig(BlockConfig):
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


def sampled(block: CutConfig, rig: RigConfig) -> Iterator[Misfit]:
    """What a rig samples too slowly: a cycle has enough samples, and a low-pass filter something to pass."""
    rate = rig.time.sample_rate
    if rate / block.frequency < block.least_samples:
        yield Misfit(
            "frequency",
            f"block '{block.name}': {rate:g} samples a second at {block.frequency:g} cycles a second are "
            f"{rate / block.frequency:.3g} samples a cycle, least_samples asks for {block.least_samples}",
            "correct frequency, least_samples, or the rig's sample_rate",
        )
    if block.lowpass is not None and block.lowpass >= 0.5 * rate:
        yield Misfit(
            "lowpass",
            f"block '{block.name}': lowpass {block.lowpass:g} Hz filters nothing at {rate:g} samples a second",
            expected=f"less than {0.5 * rate:g} Hz",
        )
