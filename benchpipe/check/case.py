"""A limit with everything it is judged by, and what a verdict says."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchpipe.blocks.base import Events
from benchpipe.blocks.left_out import LeftOut, LogClock
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.run_tables import RunTables
from benchpipe.blocks.values import Asked
from benchpipe.check.block_noise import Noises
from benchpipe.check.decision import Verdict
from benchpipe.check.figure import JudgedFigure
from benchpipe.check.rules import Guards, Rule, Window, accepted_risk, guard_of_expanded, guard_of_u, simple_acceptance
from benchpipe.config.limits import LimitConfig, LimitsConfig
from benchpipe.config.rig import RigConfig
from benchpipe.plan import Block

EXACT = ("count", "share")


@dataclass(frozen=True)
class Judged:
    """What one limit says of one block.

    Attributes
    ----------
    verdict : Verdict
    figure : JudgedFigure
        Value and budget; its value is NaN where there is none.
    guards : Guards
        Guard bands that the rule asks for, in the unit of the value.
    rule : Rule
    window : Window
        What the value must lie within.
    first, last : int or None
        First and last cycle, hold or sweep judged.
    used, of : int
        Values used, and how many there should be.
    left_out : tuple of LeftOut
        Why the others are not used, or what they may hide.
    due : bool
    remark : str
    at : str
        Of an extreme: which cycle, hold or sweep it is.
    bound : str
        "at least" or "at most" where the value only bounds the true one.
    """

    verdict: Verdict
    figure: JudgedFigure
    guards: Guards
    rule: Rule
    window: Window
    first: int | None = None
    last: int | None = None
    used: int = 0
    of: int = 0
    left_out: tuple[LeftOut, ...] = ()
    due: bool = True
    remark: str = ""
    at: str = ""
    bound: str = ""

    @property
    def value(self) -> float | None:
        """The value; None where there is none."""
        return self.figure.value if math.isfinite(self.figure.value) else None


@dataclass(frozen=True)
class Case:
    """A limit with everything it is judged by; ``gone_on``: a later block of the plan has begun."""

    limit: LimitConfig
    limits: LimitsConfig
    measure: Measure
    rig: RigConfig
    block: Block
    tables: RunTables
    noises: Noises
    clock: LogClock
    gone_on: bool = False
    others: tuple[Events, ...] = ()

    def asked(self, waits: str = "") -> Asked:
        """What the values of the limit are taken from."""
        return Asked(self.limit, self.measure, self.block, self.tables, self.clock, waits, self.others)

    @property
    def rule(self) -> Rule:
        """The decision rule: the limit's own, else the file's. Counts and shares are exact."""
        return rule_of(self.limit, self.limits)

    @property
    def window(self) -> Window:
        """What the value must lie within."""
        return window_of_limit(self.limit)


def rule_of(limit: LimitConfig, limits: LimitsConfig) -> Rule:
    """The decision rule that a limit is judged by."""
    decision = limits.rule_of(limit, "decision")
    if limit.statistic in EXACT or decision == "simple":
        return simple_acceptance()
    if decision == "risk":
        return accepted_risk(limits.rule_of(limit, "risk"))
    factor = limits.rule_of(limit, "guard")
    return guard_of_expanded(factor) if limits.rule_of(limit, "guard_of") == "U" else guard_of_u(factor)


def window_of_limit(limit: LimitConfig) -> Window:
    """What the value of a limit must lie within."""
    low, high = limit.low, limit.high
    return Window(-math.inf if low is None else low, math.inf if high is None else high)
