"""Stretches under load: batches of samples → each stretch whole, wherever files and batches end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchpipe.blocks.roll.reading import FORCE, RollSamples

PATIENCE_S = 0.02
"""A stretch goes on where the force falls below contact for no longer."""


@dataclass(frozen=True, eq=False)
class RollStretch:
    """Samples from contact to lift-off.

    ``begun``, ``ended``: the log shows no load just before, just after. ``contact_us``, ``lift_us``: when the force
    crosses contact, between samples.
    """

    samples: RollSamples
    begun: bool
    ended: bool
    contact_us: float
    lift_us: float


class StretchFinder:
    """Takes samples batch by batch and gives each stretch that is over."""

    def __init__(self, contact_n: float, gap_us: int, longest_us: int) -> None:
        self._contact_n = contact_n
        self._gap_us = gap_us
        self._patience_us = max(round(1e6 * PATIENCE_S), gap_us)
        self._longest_us = longest_us
        self._held: RollSamples | None = None
        self.peak_n = -np.inf
        self.too_long = 0
        self._leaving = False

    def feed(self, new: RollSamples) -> list[RollStretch]:
        """Stretches that are over by the end of these samples."""
        if not len(new):
            return []
        known = new.values[FORCE][np.isfinite(new.values[FORCE])]
        self.peak_n = max(self.peak_n, float(np.max(known, initial=-np.inf)))
        samples = self._held.followed_by(new) if self._held is not None else new
        return self._cut(samples, over=False)

    def rest(self) -> list[RollStretch]:
        """The stretch that is still open where the samples end."""
        return self._cut(self._held, over=True) if self._held is not None and len(self._held) else []

    def _cut(self, samples: RollSamples, *, over: bool) -> list[RollStretch]:
        loaded = np.flatnonzero(samples.values[FORCE] >= self._contact_n)
        last = len(samples) - 1
        if not loaded.size:
            self._held, self._leaving = samples.part(last, last + 1), False
            return []
        time = samples.time_us
        runs = np.split(loaded, np.flatnonzero(np.diff(time[loaded]) > self._patience_us) + 1)
        found: list[RollStretch] = []
        self._held = samples.part(last, last + 1)
        for run in runs:
            first, end = int(run[0]), int(run[-1])
            is_open = not over and bool(time[last] - time[end] <= self._patience_us)
            if self._leaving or time[end] - time[first] > self._longest_us:
                self.too_long += not self._leaving
                self._leaving = is_open
                if is_open:
                    self._held = samples.part(end, last + 1)
                continue
            if is_open:
                self._held = samples.part(max(first - 1, 0), last + 1)
                break
            begun = first > 0 and bool(time[first] - time[first - 1] <= self._gap_us)
            ended = end < last and bool(time[end + 1] - time[end] <= self._gap_us)
            contact_us = self._crossing(samples, first, first - 1) if begun else float(time[first])
            lift_us = self._crossing(samples, end, end + 1) if ended else float(time[end])
            found.append(RollStretch(samples.part(first, end + 1), begun, ended, contact_us, lift_us))
        return found

    def _crossing(self, samples: RollSamples, loaded: int, beside: int) -> float:
        """When the force crosses contact between a loaded sample and an unloaded one, along a straight line."""
        force, time = samples.values[FORCE], samples.time_us
        above, below = float(force[loaded]), float(force[beside])
        part = (above - self._contact_n) / (above - below) if above > below else 0.0
        return float(time[loaded]) + part * float(time[beside] - time[loaded])
