"""Lost and stuck rows and the longest step inside holds, sweeps, stance windows, proofs and lock changes.

One pass over a block's samples serves all rows of a table. It needs only the begin and the length of each row, so
a new kind of block gets the columns by one call.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.blocks.block import BlockTask
from benchpipe.blocks.rejected import reject_losses
from benchpipe.blocks.stuck_samples import StuckSignals, stuck_signals
from benchpipe.config.rig import RigConfig
from benchpipe.samples.lost import Losses, Whole, in_order
from benchpipe.samples.signals import look_back_us, signal_columns, signals_and_losses
from benchpipe.samples.stream import stream_samples

US = 1e6
LOOK_BACK = 64  # samples before a row's begin: a run of equal ones that ends there is known for one
NEVER: int = np.iinfo(np.int64).max
Row = dict[str, Any]


def with_losses(
    task: BlockTask[Any, Any],
    rows: list[Row],
    *,
    beyond: bool = True,
) -> list[Row]:
    """Rows of a table with the columns ``lost_rows``, ``longest_step_s`` and ``stuck_rows``; what is there stays.

    Rows of the log count as lost where they stand between two samples of which one is inside; before the first one
    not more than a gap's length.

    Parameters
    ----------
    task : BlockTask
    rows : list of dict
        With ``start_us``, and ``period_s`` or ``duration_s``.
    beyond : bool
        Whether rows lost just after the last sample count. Not so where a row stays as it is when the log goes on:
        the next sample may not be there yet.
    """
    if not rows:
        return rows
    rig, time = task.rig, task.rig.time
    spans = _Spans(rows, round(US * time.gap_s), round(US * LOOK_BACK / time.sample_rate))
    stuck = None if "stuck_rows" in rows[0] else stuck_signals(task, rig)
    dropped = spans.follow(task, rig, stuck)
    recent = [one for one in task.rejected if spans.may_hold(one.file, task)]
    rejects = reject_losses(task.store, task.inputs, recent, task.rig.mode, getattr(task.block, "mode", None))
    until_us = spans.next_us if beyond else spans.last_us
    lost = rejects.between(spans.before_us, until_us) + dropped.between(spans.before_us, until_us)
    longest = np.where(spans.longest_us >= 0, spans.longest_us / US, np.nan)
    new = {"lost_rows": lost.tolist(), "longest_step_s": longest.tolist()}
    if stuck is not None:
        new["stuck_rows"] = stuck.between(spans.touch_us, spans.end_us).tolist()
    return [dict(zip(new, more, strict=True)) | row for row, *more in zip(rows, *new.values(), strict=True)]


class _Spans:
    """Times of the samples beside and inside each row, found in one pass.

    Attributes
    ----------
    begin_us, end_us : int64 arrays, shape (k,)
        Where each row begins and ends.
    touch_us : int64 array, shape (k,)
        A gap's length before the begin: a channel that was stuck until then may have hidden how it began.
    before_us, last_us, next_us : int64 arrays, shape (k,)
        The sample before the first one inside (at least: a gap before the start), the last one inside, and the next.
    longest_us : int64 array, shape (k,)
        Longest step between samples inside; -1 where there are fewer than two.
    """

    def __init__(self, rows: list[Row], gap_us: int, back_us: int) -> None:
        length = [row["period_s"] if "period_s" in row else row["duration_s"] for row in rows]
        self.begin_us = np.array([row["start_us"] for row in rows], np.int64)
        self.end_us = self.begin_us + np.rint(US * np.nan_to_num(np.array(length, np.float64))).astype(np.int64)
        self.touch_us = self.begin_us - gap_us - 1
        self._from_us = int(self.begin_us.min()) - max(gap_us, back_us)
        self.before_us = self.touch_us.copy()
        self.last_us = self.begin_us.copy()
        self.next_us = np.full(self.begin_us.size, NEVER)
        self.longest_us = np.full(self.begin_us.size, -1, np.int64)

    def may_hold(self, file: str, task: BlockTask[Any, Any]) -> bool:
        """Whether a log has samples inside, or none at all."""
        ends = [one.last_us for one in task.inputs if one.file == file]
        return not ends or any(us is None or us >= self._from_us for us in ends)

    def follow(self, task: BlockTask[Any, Any], rig: RigConfig, stuck: StuckSignals | None) -> Losses:
        """Go through the samples; give those that lack load or motion."""
        mode = getattr(task.block, "mode", None)
        found: list[Losses] = []
        last_us: int | None = None
        over = int(self.end_us.max())
        columns, back_us = signal_columns(rig, mode), look_back_us(rig)
        for batch in stream_samples(task.store.folder, task.inputs, columns, self._from_us, back_us=back_us):
            signals, lost = signals_and_losses(batch, rig, mode)
            found += [lost] if len(lost) else []
            if len(signals):
                self._take(signals.time_us, last_us)
                if stuck is not None:
                    stuck.take(signals)
                last_us = int(signals.time_us[-1])
                if last_us > over:
                    break
        return in_order(found)

    def _take(self, time_us: Whole, last_us: int | None) -> None:
        first, end = np.searchsorted(time_us, self.begin_us, "left"), np.searchsorted(time_us, self.end_us, "right")
        before, after, inside = first > 0, end < time_us.size, end > first
        self.before_us[before] = np.maximum(self.before_us[before], time_us[first[before] - 1])
        self.next_us[after] = np.minimum(self.next_us[after], time_us[end[after]])
        self.last_us[inside] = time_us[end[inside] - 1]
        steps = np.diff(time_us, prepend=time_us[0] if last_us is None else last_us)
        goes_on = np.zeros(first.size, bool) if last_us is None else self.begin_us <= last_us
        first = first + np.where(goes_on, 0, 1)
        for k in np.flatnonzero(end > first).tolist():
            self.longest_us[k] = max(int(self.longest_us[k]), _largest(steps, int(first[k]), int(end[k])))


def _largest(steps: NDArray[np.int64], first: int, end: int) -> int:
    return int(steps[first:end].max())
