"""Changes of the mode between two samples of a block: they cut a cycle, and whether rows are missing there.

The samples of a block that asks for a mode are far apart where the rig was in another one. Nothing is missing where
the log went on meanwhile. Only the steps next to a row of the block, or to a row whose mode is not known, count: a
gap inside another mode is not the block's.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchpipe.samples.signals import Signals
from benchpipe.samples.stream import SampleBatch

Whole = NDArray[np.int64]


class Between(NamedTuple):
    """Consecutive rows of the log of which none but the first or last is a sample of the block.

    Attributes
    ----------
    first_us, last_us : int
        Times of the first and the last row.
    first_other, last_other : bool
        Whether they are of another mode.
    changed : bool
        A row of another mode is among them.
    step_us : int
        Longest step between neighbours that are not both of another mode.
    """

    first_us: int
    last_us: int
    first_other: bool
    last_other: bool
    changed: bool
    step_us: int

    def followed_by(self, later: Between) -> Between:
        """These rows and then the others."""
        step_us = 0 if self.last_other and later.first_other else later.first_us - self.last_us
        return Between(
            self.first_us, later.last_us, self.first_other, later.last_other, self.changed or later.changed,
            max(self.step_us, later.step_us, step_us),
        )  # fmt: skip

    @property
    def change_us(self) -> int:
        """The longest step where the mode changed; 0 where it did not."""
        return self.step_us if self.changed else 0


class BatchEnds(NamedTuple):
    """Rows of a batch up to its first sample of the block, and from its last on (None: it has no sample)."""

    head: Between
    tail: Between | None


def with_changes(batch: SampleBatch, signals: Signals, channel: str, mode: int) -> tuple[Signals, BatchEnds | None]:
    """Samples of a block with the changes of the mode between them.

    Parameters
    ----------
    batch : SampleBatch
        Rows of the log, with the channel of the mode.
    signals : Signals
        Samples of the block among them.

    Returns
    -------
    signals : Signals
        With ``change_us``; that of the first is 0, since what was before is not known.
    ends : BatchEnds or None
        For what lies across the border to the next batch; None without rows.
    """
    time_us, shown = batch.time_us[batch.context :], batch.columns[channel][batch.context :]
    if not time_us.size:
        return signals, None
    other = (shown != mode) & ~np.isnan(shown)
    steps = np.where(other[1:] & other[:-1], 0, np.diff(time_us))
    at = np.searchsorted(time_us, signals.time_us)
    change_us = np.zeros(at.size, np.int64)
    if at.size > 1 and other.any():
        changed = np.diff(np.cumsum(other)[at]) > 0
        change_us[1:] = np.where(changed, np.maximum.reduceat(steps[: at[-1]], at[:-1]), 0)

    def rows(first: int, last: int) -> Between:
        ends = int(time_us[first]), int(time_us[last]), bool(other[first]), bool(other[last])
        return Between(*ends, bool(other[first : last + 1].any()), int(steps[first:last].max(initial=0)))

    last = time_us.size - 1
    if not at.size:
        return replace(signals, change_us=change_us), BatchEnds(rows(0, last), None)
    ends = BatchEnds(rows(0, int(at[0])), rows(int(at[-1]), last))
    return replace(signals, change_us=change_us), ends
