"""The measuring chain: true signals → values in the log, as whole numbers of the last decimal."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.compiled import compiled
from benchpipe.simulate.noise import normal, stream_key
from benchpipe.simulate.pieces import TrueRows
from benchpipe.simulate.rig import SimulatedChannelConfig, SimulatedRigConfig

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SHANK = ("tilt", "ankle_x", "ankle_y")
MOST_COUNTS = 2.0**62  # of the last decimal that a log can hold: readings end there


class Chain:
    """All channels of one rig, ready to digitise."""

    def __init__(self, rig: SimulatedRigConfig, seed: int, *, dated: bool) -> None:
        self.rig = rig
        self._epoch_s = int((rig.start - datetime(1970, 1, 1)).total_seconds()) if dated else 0
        self._dated = dated
        self._keys = {
            c.name: (stream_key(seed, c.name, "noise"), stream_key(seed, c.name, "wander")) for c in rig.channels
        }
        self.load_skew_s, self.motion_skew_s = rig.skew_s("load"), rig.skew_s("motion")

    def digitise(self, rows: TrueRows) -> Ints:
        """Values as integers of each channel's last decimal, int64, shape (channels, n)."""
        out = np.empty((len(self.rig.channels), rows.place.count), np.int64)
        for k, channel in enumerate(self.rig.channels):
            if channel.source == "time":
                np.rint(self._clock_s(rows) * 10.0**channel.decimals, casting="unsafe", out=out[k])
                out[k] += self._epoch_s * 10**channel.decimals
            elif channel.source in ("counter", "mode"):
                out[k] = self._state(channel, rows) * 10**channel.decimals
            else:
                self._measure(channel, rows, out[k])
        return out

    def _clock_s(self, rows: TrueRows) -> Floats:
        clock = rows.time_s if self._dated else rows.time_s - rows.place.clock_zero_s
        for jump in self.rig.clock_jumps:
            clock = clock + np.where(rows.time_s >= jump.at_s, jump.by_s, 0.0)
        return clock

    def _state(self, channel: SimulatedChannelConfig, rows: TrueRows) -> Ints:
        if channel.source == "mode":
            return np.full(rows.place.count, int(rows.place.locked))
        counter = self.rig.counter
        return np.asarray(rows.counted // counter.cycles_per_tick % counter.rollover)

    def _measure(self, channel: SimulatedChannelConfig, rows: TrueRows, out: Ints) -> None:
        values = rows.temperature_c
        if channel.source == "load":
            values = rows.load + rows.place.tare if rows.place.tare else rows.load
        elif channel.source == "motion":
            values = rows.motion + self.rig.compliance * rows.load if self.rig.compliance else rows.motion
        elif channel.source in SHANK:
            place_of = SHANK.index(channel.source)
            values = np.zeros(rows.place.count) if rows.shank is None else rows.shank[place_of]
        place, step = rows.place, 10.0**-channel.decimals
        full_scale = min(channel.full_scale or np.inf, MOST_COUNTS * step)
        noise, wander = self._keys[channel.name]
        _digitise(
            values, place.row, place.start_s + place.first / place.rate_hz, 1.0 / place.rate_hz,
            channel.scale, channel.offset, channel.noise, noise, channel.drift_per_h / 3600.0,
            channel.wander, wander, channel.wander_s, channel.quantum or step, full_scale, step, out,
        )  # fmt: skip


@compiled
def _digitise(
    values: Floats, row: int, start_s: float, step_s: float, scale: float, offset: float,
    noise: float, noise_key: np.uint64, drift_per_s: float, wander: float, wander_key: np.uint64, wander_s: float,
    quantum: float, full_scale: float, step: float, out: Ints,
) -> None:  # fmt: skip
    knot, before, after = -1, 0.0, 0.0
    steps = quantum / step
    whole = round(steps)
    exact = abs(steps - whole) < 1e-6 and whole >= 1
    for i in range(values.size):
        time_s = start_s + i * step_s
        value = values[i] * scale + offset + drift_per_s * time_s
        if noise > 0.0:
            value += noise * normal(noise_key, row + i)
        if wander > 0.0:
            now = int(time_s // wander_s)
            if now != knot:
                knot, before, after = now, normal(wander_key, now), normal(wander_key, now + 1)
            value += wander * (before + (after - before) * (time_s / wander_s - now))
        value = min(full_scale, max(-full_scale, value))
        counts = np.rint(value / quantum)
        out[i] = np.int64(counts) * whole if exact else np.int64(np.rint(counts * steps))
