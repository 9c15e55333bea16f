"""Channels that repeat one value: a dropout that a rig fills with the last value, or a stuck sensor."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchpipe.config.rig import RigConfig
from benchpipe.kernels.compiled import compiled


@compiled
def _blank_stuck(raw: NDArray[np.float64], limit: int, last: float, run: int) -> tuple[float, int, int]:
    """Put NaN for each value that more than ``limit`` before it equal; last value, its run, and how many."""
    count = 0
    for i in range(raw.size):
        value = raw[i]
        run = run + 1 if value == last else 1
        last = value
        if run > limit:
            raw[i] = np.nan
            count += 1
    return last, run, count


class StuckChannels:
    """Blanks values of channels with ``stuck_after``, row by row in the log's order.

    Attributes
    ----------
    counts : dict of int
        Values blanked, by channel.
    """

    def __init__(self, rig: RigConfig, state: Mapping[str, tuple[float | None, int]] | None = None) -> None:
        self._limits = {c.name: c.stuck_after for c in rig.channel if c.stuck_after is not None}
        self._last: dict[str, tuple[float, int]] = dict.fromkeys(self._limits, (float("nan"), 0))
        for name, (last, run) in (state or {}).items():
            self._last[name] = (float("nan") if last is None else last, run)
        self.counts: dict[str, int] = {}

    def __bool__(self) -> bool:
        """Whether there is anything to watch."""
        return bool(self._limits)

    @property
    def state(self) -> dict[str, tuple[float | None, int]]:
        """What another night needs to know: last value and its run, by channel."""
        return {name: (None if np.isnan(last) else last, run) for name, (last, run) in self._last.items()}

    def blank(self, channels: dict[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
        """The channels, with NaN for values that are stuck."""
        if not self._limits:
            return channels
        channels = dict(channels)
        for name, limit in self._limits.items():
            raw = channels[name].copy()
            last, run, count = _blank_stuck(raw, limit, *self._last[name])
            self._last[name], channels[name] = (float(last), int(run)), raw
            if count:
                self.counts[name] = self.counts.get(name, 0) + int(count)
        return channels
