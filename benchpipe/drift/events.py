"""Events: what was found, when, how large, and what else moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from benchpipe.drift.columns import Change
from benchpipe.drift.watched import LogEntry

NEAR_S = 3600.0
"""An entry of the log this far beyond the interval of an event is near it: clocks of rig and notes differ by less."""
TOGETHER_S = 6 * 3600.0
"""Events of several measures this close are one: slopes begin where noise lets them be seen."""
SETTLED_DAYS = 2
"""Days for which an event's kind and place are estimated with what came after it; then they stay."""


@dataclass(frozen=True)
class Event:
    """A change of one series: the level or the scatter of a measure.

    ``size``: of a step, as a part of the scale; of a slope, that part per million cycles; of scatter, its relative
    change. ``low``, ``high``: its interval at 95 %. ``cycle_low``, ``cycle_high``: where it may have been. ``score`` is
    the normal score that raised it, over ``threshold``. ``day`` is the last day that the look saw. ``number`` is
    shared by all that moved together; ``alarm`` is false for all but what an alarm is for.
    """

    measure: str
    of: str
    kind: str
    cycle: float
    cycle_low: float
    cycle_high: float
    time_s: float
    low_s: float
    high_s: float
    size: float
    low: float
    high: float
    score: float
    threshold: float
    day: int
    number: int = 0
    alarm: bool = True
    found: str = "online"

    def changes(self) -> list[Change]:
        """Columns that take it out: what a slope becomes later is its own course, and no other event."""
        at = [Change(self.kind, self.cycle)]
        return [*at, Change("bend", self.cycle)] if self.kind == "slope" else at

    def to_json(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, state: Mapping[str, Any]) -> Event:
        """What `to_json` gave."""
        return cls(**state)


def near(event: Event, entries: Sequence[LogEntry]) -> list[LogEntry]:
    """What the log says near an event."""
    low, high = event.low_s - NEAR_S, event.high_s + NEAR_S
    return [entry for entry in entries if low <= entry.start_us / 1e6 <= high]


def together(one: Event, other: Event) -> bool:
    """May two events of different series be the same?"""
    return max(one.low_s, other.low_s) - min(one.high_s, other.high_s) <= TOGETHER_S
