"""Where a level is held: what holds and relaxations share."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.holds import COUNT, FRESH_HOLD, LOAD, LOAD2, fresh_bins, scan_hold
from benchpipe.samples.signals import Signals

PATIENCE_S = 1.0  # a load outside its band for longer ends the hold
Floats = NDArray[np.float64]


class HoldScan:
    """One load that is looked for (of a held motion: one motion)."""

    def __init__(self, target: float, tolerance: float, gap_us: int, least_s: float = 0.0) -> None:
        self.target, self.tolerance, self._gap_us, self._least_s = target, tolerance, gap_us, least_s
        self.state, self.bins = FRESH_HOLD, fresh_bins()

    def stays(self, new: Signals) -> Iterator[bool]:
        """Go through samples and pause at the end of each stay in the band; true where a gap ended it."""
        position = 0
        while position < len(new):
            begun, before = position, self.state.previous_us
            position, self.state = scan_hold(
                new.time_us, new.load, new.motion, new.temperature, position, self.target,
                self.tolerance, round(1e6 * PATIENCE_S), self._gap_us, self.state, self.bins,
            )  # fmt: skip
            if not self.state.inside and self.state.start_us >= 0:
                before = int(new.time_us[position - 1]) if position > begun else before
                gap = bool(new.time_us[position] - before > self._gap_us)
                yield gap
                ended, self.state, self.bins = self.state, FRESH_HOLD, fresh_bins()
                if not gap and (ended.last_in_us - ended.start_us) * 1e-6 < self._least_s:  # it only swung through
                    self.state = self.state._replace(
                        foot_us=ended.foot_us, foot_motion=ended.foot_motion, foot_load=ended.foot_load
                    )

    @property
    def duration_s(self) -> float:
        """From the first to the last sample inside the band."""
        return (self.state.last_in_us - self.state.start_us) * 1e-6


def ramp_part(skip_ramps: float, ramp_s: float, duration_s: float) -> float:
    """The ramp's part of a hold [s]."""
    return min(skip_ramps * ramp_s if np.isfinite(ramp_s) else 0.0, 0.1 * duration_s)


def load_sd(bins: Floats) -> float:
    """Standard deviation of the load."""
    count = bins[:, COUNT].sum()
    variance = bins[:, LOAD2].sum() / count - (bins[:, LOAD].sum() / count) ** 2
    return float(np.sqrt(max(variance, 0.0)))


def range_of(values: Floats) -> float:
    """Largest less smallest known value; NaN without any."""
    known = values[np.isfinite(values)]
    return float(np.ptp(known)) if known.size else np.nan
