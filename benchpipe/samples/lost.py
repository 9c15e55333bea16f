"""Rows of a log that gave no sample of a block: how many, and between which samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Losses:
    """Lost rows by the place where they are missing.

    A row that was rejected has no time: it gets the time of the sample that follows it in its log,
    or just after the last one. A sample without load or motion is at its own time.

    Attributes
    ----------
    time_us : int64 array, shape (k,)
        Rising (not strictly): the rows are missing before the sample at that time, after the one before it.
    rows : int64 array, shape (k,)
        Number of rows lost there.
    """

    time_us: Whole
    rows: Whole

    def __len__(self) -> int:
        return int(self.time_us.size)

    def between(self, after_us: Whole, until_us: Whole) -> Whole:
        """Rows lost after one time, up to and with another.

        Parameters
        ----------
        after_us, until_us : int64 arrays, shape (n,)
            Times of samples.

        Returns
        -------
        int64 array, shape (n,)
        """
        sums = np.concatenate(([0], np.cumsum(self.rows)))
        first, last = (np.searchsorted(self.time_us, us, "right") for us in (after_us, until_us))
        found: Whole = sums[last] - sums[first]
        return found

    def after(self, us: int) -> Losses:
        """Losses after a time."""
        first = int(np.searchsorted(self.time_us, us, "right"))
        return Losses(self.time_us[first:], self.rows[first:])


def no_losses() -> Losses:
    """Nothing was lost."""
    return Losses(np.empty(0, np.int64), np.empty(0, np.int64))


def in_order(losses: list[Losses]) -> Losses:
    """Losses of consecutive stretches as one."""
    if not losses:
        return no_losses()
    return Losses(np.concatenate([one.time_us for one in losses]), np.concatenate([one.rows for one in losses]))


def merged(losses: list[Losses]) -> Losses:
    """Losses of any stretches as one."""
    together = in_order(losses)
    order = np.argsort(together.time_us, kind="stable")
    return Losses(together.time_us[order], together.rows[order])


def dropped_samples(time_us: Whole, lost: NDArray[np.bool_]) -> Losses:
    """Losses of samples that should have been samples of the block: where ``lost``, shape (n,), is true."""
    at = np.flatnonzero(lost)
    return Losses(time_us[at], np.ones(at.size, np.int64)) if at.size else no_losses()


def together(losses: Losses, time_us: Whole) -> Losses:
    """The same losses, those between two neighbouring samples as one.

    Parameters
    ----------
    losses : Losses
    time_us : int64 array, shape (n,)
        Times of the samples that are kept.
    """
    if not len(losses):
        return losses
    place = np.searchsorted(time_us, losses.time_us)
    last = np.flatnonzero(np.diff(place, append=-1))
    sums = np.cumsum(losses.rows)[last]
    return Losses(losses.time_us[last], np.diff(sums, prepend=0))
