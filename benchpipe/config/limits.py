"""Limit files: what is measured, over which cycles, against which value, from which source."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import AnyQuantity, ConfigModel, Many, Pair, Ratio, Seconds

Statistic = Literal["median", "mean", "max", "min", "last", "change", "count", "share"]


class LimitConfig(ConfigModel):
    """One limit."""

    name: str
    block: str
    measure: str
    statistic: Statistic = "median"
    last_cycles: int | None = Field(default=None, ge=1)
    cycles: Pair[int] | None = None
    at_time: Seconds | None = Field(default=None, gt=0)
    operator: Literal["<=", ">="]
    value: AnyQuantity
    source: str
    clause: str = ""
    verified_by: str = ""

    @model_validator(mode="after")
    def _one_window(self) -> Self:
        if self.last_cycles is not None and self.cycles is not None:
            raise ValueError("give last_cycles or cycles, not both")
        if self.cycles is not None and not 1 <= self.cycles[0] <= self.cycles[1]:
            raise ValueError("cycles must be two rising cycle numbers from 1")
        return self

    @property
    def verified(self) -> bool:
        """Whether somebody has held the value against its source."""
        return bool(self.verified_by.strip())


class LimitsConfig(ConfigModel):
    """A limit file: the whole of it."""

    name: str
    basis: str
    edition: str = ""
    decision: Literal["guarded", "simple"] = "guarded"
    guard: float = Field(default=2.0, gt=0)
    least_measured: Ratio = Field(default=0.99, gt=0, le=1)
    limit: Many[LimitConfig] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [limit.name for limit in self.limit]
        doubled = {n for n in names if names.count(n) > 1}
        if doubled:
            raise ValueError(f"limit names must differ: {', '.join(sorted(doubled))}")
        return self
