"""Signals and the mode channel → rows of the lock_changes table.

A locking block looks at all the samples of its files: each change of the mode is a row, whatever
other blocks take of that stretch. A change is measured from its own samples only, which are kept
until its time is over: the ends of batches, files and nights change nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot
from typing import Any

import numpy as np

from benchpipe.blocks.block import BlockTask, Found
from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.blocks.locking.unmeasured import ModeScan
from benchpipe.blocks.losses import with_losses
from benchpipe.blocks.rows import rows_table
from benchpipe.blocks.state import BlockState
from benchpipe.config.rig import RigConfig
from benchpipe.kernels.locking import (
    AT,
    BOUNCES,
    FAILED,
    FRESH,
    HELD,
    SURE,
    TO,
    ModeState,
    find_changes,
    measure_lock,
    measure_unlock,
)
from benchpipe.kernels.read_only import read_only
from benchpipe.samples.signals import Signals, look_back_us, signal_columns, to_signals
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import Remark

US = 1e6
UNSURE = "the mode channel shows nothing just before: the time of the change is not known"
CUT = "the log ends, or has a gap, before the change is over"
UNTESTED = {True: "no load came on it that it had to hold", False: "it was neither moved nor loaded"}
MOST_TOLD = 3  # failures named in the remarks


def locking_block(task: BlockTask[LockingBlock, BlockState]) -> Found:
    """Measure the lock changes of a block."""
    rig, store, block = task.rig, task.store, task.block
    also, back_us = mode_channels(rig, block), look_back_us(rig)
    builder, scan = LockBuilder(block, rig), ModeScan(block, round(US * rig.time.gap_s))
    for batch in stream_samples(store.folder, task.inputs, signal_columns(rig, also=also), back_us=back_us):
        builder.feed(to_signals(batch, rig, also=also))
        scan.feed(batch.time_us[batch.context :], batch.columns[rig.mode or ""][batch.context :])
    rows = with_losses(task, scan.with_unmeasured(builder.finish()))
    found = Found([store.write("lock_changes", rows_table("lock_changes", rows, rig), task.key)] if rows else [])
    found.remarks = list(_remarks(block, rows, builder.glitches))
    return found


def mode_channels(rig: RigConfig, block: LockingBlock) -> list[str]:
    """Channels that a block takes beside load and motion: the mode, and the motion asked for where that is logged."""
    return [name for name in (rig.mode, block.asked_channel) if name is not None]


class LockBuilder:
    """Takes signals with :func:`mode_channels` batch by batch and collects lock changes."""

    def __init__(self, block: LockingBlock, rig: RigConfig) -> None:
        self._block, self._mode = block, rig.mode or ""
        self._gap_us = round(US * rig.time.gap_s)
        self._within_us = round(US * block.within)
        self._state: ModeState = FRESH
        self._held: Signals | None = None
        self._waiting: list[tuple[int, bool, int, bool]] = []
        self._rows: list[dict[str, Any]] = []

    @property
    def glitches(self) -> int:
        """Bounces of the mode channel that ended in no change."""
        return self._state.glitches

    def feed(self, new: Signals) -> None:
        """Take samples; changes whose time is over are measured."""
        if not len(new):
            return
        block = self._block
        found, self._state = find_changes(
            read_only(new.time_us), read_only(new.also[self._mode]), float(block.locked), float(block.unlocked),
            round(US * block.bounce_time), self._gap_us, self._state,
        )  # fmt: skip
        held = new if self._held is None else self._held.followed_by(new)
        self._waiting += [(int(r[AT]), bool(r[TO]), int(r[BOUNCES]), bool(r[SURE])) for r in found]
        now = int(held.time_us[-1])
        while self._waiting:
            over = self._until(0)
            sure = not self._state.changing or self._state.change_us > over or len(self._waiting) > 1
            if now <= over or not sure:
                break
            self._measure(held, over, complete=True)
        first = min(
            [w[0] for w in self._waiting] + ([self._state.change_us] if self._state.changing else []), default=None
        )
        keep = len(held) if first is None else int(np.searchsorted(held.time_us, first))
        self._held = held.part(keep, len(held)).copy() if keep < len(held) else None

    def finish(self) -> list[dict[str, Any]]:
        """All rows, with those of changes in which the log ends."""
        while self._waiting and self._held is not None:
            over = self._until(0)
            self._measure(self._held, over, complete=int(self._held.time_us[-1]) > over)
        return self._rows

    def _until(self, place: int) -> int:
        """When the time of a waiting change is over: at the next one at the latest."""
        over = self._waiting[place][0] + self._within_us
        following = self._waiting[place + 1 : place + 2]
        return min(over, following[0][0] - 1) if following else over

    def _measure(self, held: Signals, over_us: int, *, complete: bool) -> None:
        at_us, locks, bounces, sure = self._waiting.pop(0)
        block = self._block
        first = int(np.searchsorted(held.time_us, at_us))
        end = int(np.searchsorted(held.time_us, over_us, "right"))
        gaps = np.flatnonzero(np.diff(held.time_us[first : min(end + 1, len(held))]) > self._gap_us)
        if gaps.size:
            end, complete = first + int(gaps[0]) + 1, False
        time_s = (held.time_us[first:end] - at_us) / US
        load, motion = (a[first:end].astype(np.float64) for a in (held.load, held.motion))
        step = float(np.median(np.diff(time_s))) if time_s.size > 1 else np.nan
        row: dict[str, Any] = {
            "block": block.name,
            "lock_change": len(self._rows) + 1,
            "start_us": at_us,
            "duration_s": float(time_s[-1]),
            "to": "locked" if locks else "unlocked",
            "samples": int(time_s.size),
            "bounces": bounces,
        }
        asked = np.empty(0) if block.asked_channel is None else held.also[block.asked_channel][first:end]
        got = self._locked(time_s, load, motion, step, asked) if locks else self._unlocked(time_s, load, motion, step)
        outcome = int(got.pop("outcome"))
        word = {HELD: "held" if locks else "released", FAILED: "failed"}.get(outcome, "not tested")
        remark = UNTESTED[locks] if word == "not tested" else ""
        if not sure:
            word, remark = "time not known", UNSURE
        elif word not in ("held", "released") and not complete:
            word, remark = "cut short", CUT
        known = word in ("held", "released", "failed")
        kept = ("travel", "peak_load", "asked")
        row |= {k: v if known or k in kept else np.nan for k, v in got.items()}
        lost = int(word == "failed") if known else None
        row |= {"outcome": word, "lock_failed": lost if locks else None, "unlock_failed": None if locks else lost}
        self._rows.append(row | {"remark": remark or None})

    def _locked(
        self, time_s: np.ndarray, load: np.ndarray, motion: np.ndarray, step: float, asked: np.ndarray
    ) -> dict[str, float]:
        block = self._block
        compliance = 0.0 if block.locked_stiffness is None else 1.0 / block.locked_stiffness.value
        carry, still = block.carry_load.value, block.still.value
        outcome, held_s, held_at, sd, travel, peak = measure_lock(
            time_s, load, motion, compliance, carry, still, block.still_time
        )
        wanted = np.nan if block.asked is None else block.asked.value
        shown = asked[np.isfinite(asked)]
        if block.asked_channel is not None:
            wanted = float(shown[-1]) if shown.size else np.nan
        number = max(block.still_time / step, 1.0)
        one, mean = sd, sd / np.sqrt(number)
        late = abs(motion[1] - motion[0]) / np.sqrt(3.0) if motion.size > 1 else np.nan  # it may be a step later
        return {
            "outcome": outcome, "time_to_hold_s": held_s, "time_to_hold_u_s": step / np.sqrt(6.0) + 0.0 * held_s,
            "slip": held_at - (motion[0] - compliance * load[0]), "slip_u": hypot(one, mean, late),
            "motion_held": held_at, "asked": wanted, "lock_error": held_at - wanted,
            "lock_error_u": mean + 0.0 * wanted, "travel": travel, "peak_load": peak,
        }  # fmt: skip

    def _unlocked(self, time_s: np.ndarray, load: np.ndarray, motion: np.ndarray, step: float) -> dict[str, float]:
        block = self._block
        outcome, free_s, travel, peak = measure_unlock(
            time_s, load, motion, block.carry_load.value, block.still.value, block.still_time
        )
        u = step / np.sqrt(6.0) + 0.0 * free_s
        return {
            "outcome": outcome,
            "time_to_free_s": free_s,
            "time_to_free_u_s": u,
            "travel": travel,
            "peak_load": peak,
        }


def _remarks(block: LockingBlock, rows: list[dict[str, Any]], glitches: int) -> Iterator[Remark]:
    """What of a block's changes a reader must know."""

    def remark(code: str, count: int, text: str) -> Remark:
        return Remark(step="process", code=code, where=block.name, count=count, text=text)

    for to in ("locked", "unlocked"):
        failed = [r["lock_change"] for r in rows if r["to"] == to and r["outcome"] == "failed"]
        if failed:
            named = ", ".join(map(str, failed[:MOST_TOLD])) + (" …" if len(failed) > MOST_TOLD else "")
            of = sum(r["to"] == to for r in rows)
            yield remark("lock-failed", len(failed), f"{len(failed):,} of {of:,} changes to {to} failed: {named}")
    for outcome in ("not tested", "time not known", "cut short"):
        count = sum(r["outcome"] == outcome for r in rows)
        if count:
            yield remark("lock-not-measured", count, f"{count:,} of {len(rows):,} changes {outcome}")
    bounced = sum(r["bounces"] > 0 for r in rows)
    if bounced or glitches:
        text = f"the mode channel bounced at {bounced:,} change(s), and {glitches:,} time(s) without one"
        yield remark("mode-bounces", bounced + glitches, text)
