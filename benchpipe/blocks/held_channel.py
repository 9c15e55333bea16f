"""Uncertainty that the channel of the motion adds to a hold: its resolution and its drift."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchpipe.config.rig import RigConfig
from benchpipe.samples.signals import gearing

DAY_S = 86_400.0
COVERAGE_FACTOR = 2.0  # of what rig files state expanded
NO_TEMPERATURE = "no temperature was logged: its effect on the {} was not taken out"


@dataclass(frozen=True)
class ResponseChannel:
    """Channel of what moves in a hold, in the run's unit of it.

    Attributes
    ----------
    resolution : float or None
        Step as declared; None where the readings are to show it.
    drift_per_s : float
        Standard uncertainty of its drift in a second. The key is expanded with k = 2, as certificates are, so that
        half of it counts, with a normal distribution; a maker's bound +-a (rectangular) is written as 2 a/sqrt(3).
    """

    resolution: float | None
    drift_per_s: float

    def step(self, found: float) -> float:
        """Step of the channel: as declared, else as found in the readings of a hold (infinite: none changed)."""
        if self.resolution is not None:
            return self.resolution
        return found if math.isfinite(found) else 0.0


def response_channel(rig: RigConfig, *, is_load: bool = False) -> ResponseChannel:
    """Steps and drift of the motion's channel, or of the load's, through the rig's geometry."""
    axis = rig.load if is_load else rig.motion
    gear, channel = gearing(axis, is_load=is_load), rig.find(axis.channel)
    step, drift = channel.resolution, channel.drift_per_day
    per_s = drift.value / COVERAGE_FACTOR / DAY_S if drift is not None else 0.0
    return ResponseChannel(None if step is None else gear * step.value, gear * per_s)
