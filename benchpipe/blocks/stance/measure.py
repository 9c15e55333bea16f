"""Signals → rows of the stances table, from where the last night ended.

A stretch is samples whose load stays between the plan's limits; an excursion shorter than 0.2 s does not
end it. Each stretch gives one window: its first seconds after the settling time, always of the same length,
so that ranges can be compared. A window that a gap broke off has a row without figures: it may hide a slip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.blocks.stance.state import OpenStretch, StanceState
from benchpipe.blocks.stuck_samples import stuck_rows
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.stance import StanceResult, measure_stance
from benchpipe.kernels.time_means import time_mean
from benchpipe.samples.signals import Signals, block_signals
from benchpipe.store.manifest import Remark

PATIENCE_S = 0.2
HOUR_S = 3600.0
NEARLY = 0.3
"""A stretch of this part of what is asked was meant for a stance; shorter ones are load on its way."""
BROKEN_OFF = "a gap broke it off: not measured"
STILL_SLOW = 0.04
"""Noise whose memory is longer than this part of the window is at the edge of what can be separated from drift."""


def stance_block(task: BlockTask[StanceBlock, StanceState]) -> Found:
    """Measure the stance windows of a block. Windows of other nights stay as they are."""
    rig, store, block, past = task.rig, task.store, task.block, task.past
    begun = past.anchor if past is not None else None
    builder = StanceBuilder(block, rig, begun or OpenStretch(), task.clock.ends_us)
    signals = block_signals(store, task.inputs, rig, block, builder.from_us, silences=True)
    rows = [row for new in signals for row in builder.feed(new)]
    rows = with_losses(task, rows, beyond=False)
    parts = [task.old[path] for path in past.settled] if past is not None else []
    parts += [store.write("stances", rows_table("stances", rows, rig), task.key)] if rows else []
    found = Found(parts, state=StanceState(anchor=builder.stretch, settled=tuple(p.path for p in parts)))
    asked, longest = block.settling_time + block.window_s, builder.stretch.longest_s
    if not builder.stretch.count and longest >= NEARLY * asked:
        text = f"no stance window: the longest stretch lasted {longest:.3g} s, settling and window take {asked:.3g} s"
        found.remarks = [Remark(step="process", code="no-stance", where=block.name, count=1, text=text)]
    return found


class StanceBuilder:
    """Takes signals batch by batch and gives a row for each window that is complete, or that a gap broke off.

    Parameters
    ----------
    ends_us : sequence of int
        Times before which a log ended: what ends there lacks nothing.
    """

    def __init__(self, block: StanceBlock, rig: RigConfig, stretch: OpenStretch, ends_us: Sequence[int] = ()) -> None:
        self._ends_us = np.asarray(sorted(ends_us), np.int64)
        self._block = block
        self._patience_us = round(1e6 * max(PATIENCE_S, rig.time.gap_s))
        self._settling_us = round(1e6 * block.settling_time)
        self._window_us = round(1e6 * block.window_s)
        self._held: Signals | None = None
        self.from_us = stretch.from_us
        self.stretch = stretch if stretch.taken else replace(stretch, start_us=-1, last_us=-1)

    def feed(self, new: Signals) -> list[dict[str, Any]]:
        """Rows of the windows that end in these samples."""
        if not len(new):
            return []
        signals = self._held.followed_by(new) if self._held is not None else new
        inside = new.time_us[self._within(new)]
        breaks = np.flatnonzero(np.diff(inside, prepend=inside[:1]) > self._patience_us)
        gaps = self._gaps(new)
        rows: list[dict[str, Any]] = []
        for run in np.split(inside, breaks) if inside.size else []:
            rows += self._go_on(int(run[0]), int(run[-1]), signals, gaps)
            row = None if self.stretch.taken else self._window(signals)
            rows += [row] if row else []
        self.stretch = replace(self.stretch, seen_us=int(new.time_us[-1]))
        if self.stretch.seen_us - self.stretch.last_us > self._patience_us:
            rows += self._ended(signals, gaps)
        keep = len(signals)
        if self.stretch.start_us >= 0 and not self.stretch.taken:
            keep = int(np.searchsorted(signals.time_us, self.stretch.start_us))
        self._held = signals.part(keep, len(signals)).copy() if keep < len(signals) else None
        return rows

    def _within(self, new: Signals) -> Any:
        if self._block.load_min is None or self._block.load_max is None:
            return np.ones(len(new), bool)
        return (new.load >= self._block.load_min.value) & (new.load <= self._block.load_max.value)

    def _gaps(self, new: Signals) -> NDArray[np.int64]:
        """Times of the samples after which others are missing."""
        seen = self.stretch.seen_us
        times = new.time_us if seen < 0 else np.concatenate(([seen], new.time_us))
        before, after = times[:-1], times[1:]
        gap = new.silence_us[len(new) - len(after) :] > self._patience_us
        gap &= np.searchsorted(self._ends_us, before, "right") == np.searchsorted(self._ends_us, after, "right")
        return np.asarray(before[gap])

    def _go_on(self, first_us: int, last_us: int, signals: Signals, gaps: NDArray[np.int64]) -> list[dict[str, Any]]:
        """Lengthen the open stretch, or end it and begin another."""
        if self.stretch.start_us >= 0 and first_us - self.stretch.last_us <= self._patience_us:
            self.stretch = replace(self.stretch, last_us=last_us)
            return []
        rows = self._ended(signals, gaps)
        self.stretch = replace(self.stretch, start_us=first_us, last_us=last_us)
        return rows

    def _ended(self, signals: Signals, gaps: NDArray[np.int64]) -> list[dict[str, Any]]:
        """End the stretch; its window has a row where a gap broke it off."""
        ended, rows = self.stretch, []
        begin = ended.start_us + self._settling_us
        last = int(np.searchsorted(gaps, ended.last_us))
        if not ended.taken and ended.start_us >= 0 and begin <= ended.last_us:
            if last < len(gaps) and gaps[last] - ended.last_us <= self._patience_us:
                own = signals.between(begin, ended.last_us)
                self.stretch = replace(ended, count=ended.count + 1)
                rows = [{**self._means(own), "stuck_rows": 0, "remark": BROKEN_OFF}] if len(own) else []
        self.stretch = self.stretch.ended()
        return rows

    def _window(self, signals: Signals) -> dict[str, Any] | None:
        """Row of the open stretch's window once that is complete."""
        begin = self.stretch.start_us + self._settling_us
        end = begin + self._window_us
        if self.stretch.last_us < end:
            return None
        self.stretch = replace(self.stretch, taken=True, count=self.stretch.count + 1)
        return self._row(signals.between(begin, end))

    def _means(self, own: Signals) -> dict[str, Any]:
        """Columns that every row has."""
        time_s = (own.time_us - own.time_us[0]) * 1e-6
        load, motion = own.load.astype(np.float64), own.motion.astype(np.float64)
        return {
            "block": self._block.name, "stance": self.stretch.count, "start_us": int(own.time_us[0]),
            "duration_s": float(time_s[-1]), "samples": len(own), "load_mean": time_mean(time_s, load),
            "load_range": float(np.ptp(load)), "motion_mean": time_mean(time_s, motion),
        }  # fmt: skip

    def _row(self, own: Signals) -> dict[str, Any]:
        time_s = (own.time_us - own.time_us[0]) * 1e-6
        length = float(time_s[-1])
        found = measure_stance(time_s, own.motion.astype(np.float64), own.load.astype(np.float64))
        warm = own.temperature.astype(np.float64)
        return {
            **self._means(own),
            "drift": found.drift * length, "drift_u": found.drift_error * length,
            "drift_per_h": found.drift * HOUR_S, "drift_u_per_h": found.drift_error * HOUR_S,
            "motion_range": found.span, "motion_range_u": found.span_u,
            "motion_range_95": found.span_95, "motion_range_95_u": found.span_95_u,
            "compliance": found.compliance, "compliance_u": found.compliance_error,
            "temperature_c": time_mean(time_s, warm) if warm.size else np.nan,
            "stuck_rows": stuck_rows(own, still=True), "remark": _remark(found, length),
        }  # fmt: skip


def _remark(found: StanceResult, length_s: float) -> str | None:
    if not found.converged:
        return "too few readings, or the motion never changes: a channel that sticks tells nothing"
    if found.slow_noise_s > STILL_SLOW * length_s:
        return "drift not separable from low-frequency noise in this window"
    return None
