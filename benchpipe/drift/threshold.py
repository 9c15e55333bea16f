"""Threshold of a score: simulated for whole runs of nights.

The largest score of a run without any event, over all nights and all times of change, has a tail like
P(max |z| > c) = A × nights × exp(−c²/2κ²). A and κ were read off the quantiles 80 to 99.5 % of simulated runs, for
noises from white to 1/f, each night fitted and looked at as in use (``python -m tests.benchmarks.drift_threshold``);
the worst noise counts, since 21 nights do not tell 1/f noise from first order. 1,000 runs a noise, 21 nights:

| noise | of | 95 % | 99 % | 99.5 % | A | κ |
|---|---|---|---|---|---|---|
| 1/f | step | 4.42 | 4.93 | 5.06 | 2.5 | 1.19 |
| AR 12 h | step | 4.15 | 4.65 | 4.70 | 5.1 | 1.07 |
| AR 1 h | step | 3.94 | 4.28 | 4.38 | 8.5 | 0.97 |
| 1/f | slope | 4.19 | 4.68 | 4.96 | 0.8 | 1.22 |
| AR 12 h | slope | 3.45 | 4.13 | 4.35 | 0.2 | 1.20 |
| AR 1 h | slope | 3.28 | 3.63 | 3.73 | 1.7 | 0.89 |

κ is above 1 since the noise is fitted, half with the change in it. Series and tests share the stated rate equally, as
if they were independent: where measures move together the true rate is lower. For 20 measures (level and scatter, step
and slope of each) and 24 nights at 5 % a run: 5.75 for steps, 5.54 for slopes.
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
