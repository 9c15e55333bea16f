"""Limit files: the measure, its cycles, the limiting value, the decision rule, and the source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import (
    AnyDifference,
    AnyQuantity,
    AtKeyError,
    ConfigModel,
    Many,
    Pair,
    Quantity,
    Ratio,
    Seconds,
)
from benchpipe.config.renamed import MeasureName
from benchpipe.config.toml import TomlFile

Statistic = Literal[
    "median", "mean", "max", "min", "last", "change", "count", "share", "slope", "step", "cycles_left"
]  # fmt: skip
OF_DRIFT = ("slope", "step", "cycles_left")
"""Statistics that the analysis of drift answers: a part a million cycles, a part, cycles to the next limit."""
Decision = Literal["guarded", "simple", "risk"]
Undeclared = Literal["refuse", "accept"]
Share = Annotated[Ratio, Field(ge=0.0, le=1.0)]


class AcceptConfig(ConfigModel):
    """What a limit accepts of what was not measured: a share by reason, and why.

    Of a cyclic limit a share is one of the cycles in its window, of others one of the rows inside each hold,
    sweep, window or proof. A share never accepts a cycle whose surviving samples break the limit.
    """

    missing: Share = 0.0
    saturated: Share = 0.0
    gap: Share = 0.0
    lost_rows: Share = 0.0
    thinned: Share = 0.0
    stood_still: Share = 0.0
    stuck: Share = 0.0
    under_sampled: Share = 0.0
    uncrossed: Share = 0.0
    uncounted: Share = 0.0
    incomplete: Share = 0.0
    why: str = ""

    @model_validator(mode="after")
    def _says_why(self) -> Self:
        if any(share > 0.0 for _, share in self.shares()) and not self.why.strip():
            raise ValueError("say in 'why' for what reason so much may go unmeasured")
        return self

    def shares(self) -> Iterator[tuple[str, float]]:
        """Reason and share, for all reasons."""
        for name in type(self).model_fields:
            if name != "why":
                yield name, getattr(self, name)


class PriorConfig(ConfigModel):
    """What was known of the value before it was measured: a normal distribution (of earlier specimens, say)."""

    mean: AnyQuantity
    sd: AnyDifference
    source: str

    @model_validator(mode="after")
    def _spread(self) -> Self:
        if self.sd.value <= 0.0 or self.sd.quantity != self.mean.quantity:
            raise ValueError("sd must be above zero, in the quantity of mean")
        return self


class LimitConfig(ConfigModel):
    """One limit: a value to stay below or above, or two to stay between (``within``).

    ``exceptions`` is the share of the window's cycles that may break a ``max`` or ``min`` limit.
    ``decision``, ``guard``, ``guard_of``, ``risk`` and ``undeclared`` are those of the file where they are left out.
    """

    name: str
    block: str
    measure: MeasureName
    statistic: Statistic = "median"
    last_cycles: int | None = Field(default=None, ge=1)
    cycles: Pair[int] | None = None
    at_time: Seconds | None = Field(default=None, gt=0)
    operator: Literal["<=", ">=", "within"]
    value: AnyQuantity | None = None
    between: Pair[AnyQuantity] | None = None
    exceptions: Share | None = None
    accept: AcceptConfig = AcceptConfig()
    decision: Decision | None = None
    guard: float | None = Field(default=None, gt=0)
    guard_of: Literal["u", "U"] | None = None
    risk: Ratio | None = Field(default=None, gt=0, lt=0.5)
    undeclared: Undeclared | None = None
    prior: PriorConfig | None = None
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

    @model_validator(mode="after")
    def _ends_fit(self) -> Self:
        if (self.operator == "within") != (self.between is not None) or (self.value is None) != (
            self.between is not None
        ):
            raise ValueError("'<=' and '>=' go with 'value', 'within' goes with 'between = [low, high]'")
        if self.between is not None:
            low, high = self.between
            if low.quantity != high.quantity or not low.value < high.value:
                what = f"{low.value:g} {low.unit} and {high.value:g} {high.unit}"
                raise AtKeyError(f"between must be two rising values of one quantity, got {what}", "between")
            if self.statistic in ("max", "min", "count", "share"):
                raise ValueError(f"'within' goes with one figure, not with '{self.statistic}': give two limits")
        if self.exceptions is not None and self.statistic not in ("max", "min"):
            raise ValueError("'exceptions' goes with the statistics 'max' and 'min'")
        if self.prior is not None and self.prior.mean.quantity != self.ends[0].quantity:
            raise ValueError("prior: mean must be of the limit's quantity")
        return self

    @property
    def ends(self) -> tuple[Quantity, ...]:
        """The limit, or both ends of it."""
        return self.between or ((self.value,) if self.value is not None else ())

    @property
    def low(self) -> float | None:
        """What the value must not fall below."""
        if self.operator == "<=":
            return None
        return self.ends[0].value

    @property
    def high(self) -> float | None:
        """What the value must not rise above."""
        if self.operator == ">=":
            return None
        return self.ends[-1].value

    @property
    def verified(self) -> bool:
        """Whether the value was verified against its source."""
        return bool(self.verified_by.strip())


class LimitsConfig(ConfigModel):
    """A limit file: the whole of it.

    ``decision`` is ``guarded`` (a guard band of ``guard`` times ``guard_of``: u the standard, U the expanded
    uncertainty), ``risk`` (a guard band that accepts an item at the limit with at most this probability) or
    ``simple`` (no guard band). ``undeclared = "accept"`` judges channels that state no uncertainty as exact.
    """

    name: str
    basis: str
    edition: str = ""
    decision: Decision = "guarded"
    guard: float = Field(default=2.0, gt=0)
    guard_of: Literal["u", "U"] = "u"
    risk: Ratio | None = Field(default=None, gt=0, lt=0.5)
    undeclared: Undeclared = "refuse"
    least_measured: Ratio = Field(default=0.99, gt=0, le=1)
    limit: Many[LimitConfig] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [limit.name for limit in self.limit]
        doubled = {n for n in names if names.count(n) > 1}
        if doubled:
            raise ValueError(f"limit names must differ: {', '.join(sorted(doubled))}")
        return self

    @model_validator(mode="after")
    def _risk_stated(self) -> Self:
        for i, limit in enumerate(self.limit):
            if self.rule_of(limit, "decision") == "risk" and self.rule_of(limit, "risk") is None:
                keys = ("decision",) if limit.decision is None else ("limit", i, "decision")
                wanted = "write risk = \"5 %\", the largest risk of accepting an item at the limit, beside it"
                raise AtKeyError(f"limit '{limit.name}' is decided by 'risk', and no risk is given: {wanted}", *keys)
        return self

    def rule_of(self, limit: LimitConfig, key: str) -> Any:
        """A key of the decision rule: the limit's own, else the file's."""
        own = getattr(limit, key)
        return getattr(self, key) if own is None else own


@dataclass(frozen=True)
class LimitSet:
    """One limit file with its place."""

    file: TomlFile
    config: LimitsConfig
