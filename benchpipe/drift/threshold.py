"""Threshold of a score: simulated for whole runs of nights.

The largest score of a run without any event, over all nights and all times of change, has a tail like
P(max |z| > c) = A × nights × exp(−c²/2κ²). A and κ were read off the quantiles 80 to 99.5 % of simulated runs, for
noises from white to 1/f, each night fitted and looked at as in use (``python -m tests.benchmarks.drift_threshold``);
the worst noise counts. κ is above 1 since the noise is fitted with the change in it. Series and tests share the
stated rate equally, as if they were independent: where measures move together the true rate is lower.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt


@dataclass(frozen=True)
class Tail:
    """Tail of the largest score of a run: ``often`` (A, a night) and ``wide`` (κ)."""

    often: float
    wide: float

    def threshold(self, nights: int, false_alarms: float, tests: int) -> float:
        """Score that the stated share of runs without any event goes over, in any of so many tests."""
        return self.wide * sqrt(2 * log(max(self.often * max(nights, 1) * max(tests, 1) / false_alarms, 1.0)))


STEP = Tail(often=3.0, wide=1.19)
SLOPE = Tail(often=0.8, wide=1.22)
